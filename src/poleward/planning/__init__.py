"""Where to point, and for how long.

In order: timing, pairing, planned, propose, plan, asked, needed.
"""
