"""The pattern in the computer: pieces, their measures, drafting, alterations as geometry, solving and drawing."""
