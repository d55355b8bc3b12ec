"""How long the nightly run takes, beside a query that looks for four things in the same files."""
