"""Sessions on disk: the log of every answer, the state it adds up to, and its replay under today's rules."""
