"""fitdiag: from what is seen on a trouser muslin to a short, reasoned list of alterations."""

__version__ = "0.1.0"
