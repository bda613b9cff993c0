"""The next muslin before it is sewn: a pattern draped as cloth on a body of the client's measures."""
