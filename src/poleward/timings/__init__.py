"""The drift table.

In order: rows, drifts.
"""
