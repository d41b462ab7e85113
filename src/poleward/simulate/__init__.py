"""Nights of known truth, for docs, tests and benchmarks.

In order: guider, rotation, night, mount, picture, frames.
"""
