"""Addresses of the floor, one module a part."""
