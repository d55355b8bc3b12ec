"""Any bytes at all against the readers: none may crash, hang, or lose a row without a word."""
