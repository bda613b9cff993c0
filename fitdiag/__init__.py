"""fitdiag: turns what is seen on a trouser muslin into a short, reasoned list of alterations."""

import os

os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")  # looking for plugins takes a tenth of the start-up time

__version__ = "0.1.0"
