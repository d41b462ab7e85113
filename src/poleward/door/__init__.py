"""What users write and get: units, times, tables, writing files.

In order: notation, quantity, rotation, clock, tables, cells, files, record, show.
"""
