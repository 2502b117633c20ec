"""Verified copies of cards as bags (RFC 8493), and checking them again years later."""
