"""Where stars are seen and what a tilted mount does with them.

In order: axis, site, camera, stars, pole, earth, look, sun.
"""
