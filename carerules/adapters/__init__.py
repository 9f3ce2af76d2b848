"""The doors: every socket, file and clock.

Knows protocols and formats; turns them into events and values of `domain`, or says why not.
Does not decide anything.
"""
