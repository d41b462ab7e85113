"""Where stars are seen and what a tilted mount does with them.

In order: axis, site, camera, orient, stars, pole, earth, look, fieldturn, doubt, sun.
"""
