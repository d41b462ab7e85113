"""What users write and get: units, times, tables, writing files.

In order: quantity, clock, tables, files.
"""
