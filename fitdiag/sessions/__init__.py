"""Sessions on disk: the log of answers, the state they add up to, and replay under today's rules."""
