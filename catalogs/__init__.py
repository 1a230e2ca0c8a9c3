"""Invented catalogs and the seeded generator that makes them."""
