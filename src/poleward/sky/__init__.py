"""Where stars are seen and what a tilted mount does with them.

In order: site, camera, stars, axis, earth, look, sun.
"""
