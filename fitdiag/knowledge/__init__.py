"""The rule base: its format, strict reading, checks, and what is written about one fitting (findings)."""
