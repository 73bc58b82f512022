"""What the cycles and curves say: pure functions over NumPy arrays, no I/O.

Collector and API start without what only some questions need: SciPy loads each of its parts when it is first
used (`import scipy`, then `scipy.stats.…`), and statsmodels, which brings seconds of others along, is
imported by the functions that call it.
"""
