"""What users write and get: units, times, tables, writing files.

In order: quantity, rotation, clock, tables, files, record.
"""
