"""Reading exports: cells, rows, repeats, and what becomes of each row."""
