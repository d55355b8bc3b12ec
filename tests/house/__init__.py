"""Tests about the project itself: its package, its README, its checks."""
