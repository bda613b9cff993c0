"""The commands and the terminal; the only home of typer."""
