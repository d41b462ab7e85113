"""Where to point, and for how long.

In order: timing, pairing, wishes, planned, propose, plan, needed, asked.
"""
