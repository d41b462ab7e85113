"""What users write and get: units, times, files, tables.

In order: notation, quantity, rotation, clock, incoming, votable, tables, cells, files, record, show.
"""
