"""The loop of questions, with no terminal in it: text in, lines out, events to the log."""
