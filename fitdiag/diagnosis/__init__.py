"""Beliefs over causes from findings: exact posterior, reasons for and against, and the value of the next question."""
