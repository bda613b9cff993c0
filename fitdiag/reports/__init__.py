"""Documents: one report model, and a writer for each kind of file."""
