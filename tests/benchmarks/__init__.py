"""Measurements that are run by hand; each prints one JSON line a result."""
