"""The commands and the terminal; the only home of typer and rich."""

import gc

gc.disable()  # most commands live for a quarter of a second, loading included; looking for garbage takes a tenth of that
