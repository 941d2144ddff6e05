"""Numbers in, numbers out: pure statistics, one subject a module.

scipy is imported by the functions that ask it: it takes as long to load as all the rest of a server's start, and most
commands and the event door never need it.
"""
