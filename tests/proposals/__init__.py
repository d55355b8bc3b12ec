"""What ``reconcile intake`` proposes for every rendering of a built shop, against what is true."""
