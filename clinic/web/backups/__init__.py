"""Copies of the whole record: taken, put back, moved to another engine."""
