"""The words that everybody shares. Imports nothing else of ours, touches nothing outside."""
