"""Matching: typed records become facts. Nothing here judges; rules do."""
