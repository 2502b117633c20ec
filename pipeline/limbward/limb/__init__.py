"""Measuring the limbs of Sun and Moon and registering frames on them."""
