"""Reports: what is written, whole or not at all, and read back as it was."""
