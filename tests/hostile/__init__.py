"""Files that were damaged on the way, or made to break what reads them, against the command."""
