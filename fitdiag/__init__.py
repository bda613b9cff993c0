"""fitdiag: from what is seen on a trouser muslin to a short, reasoned list of alterations."""

import os

os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")  # looking for plugins costs a tenth of the start

__version__ = "0.1.0"
