"""The words that everybody shares.

Knows what things are called and what they hold. Does not know what is done with them: imports
nothing else of ours, touches nothing outside.
"""
