"""The REST API over the book (read-only here) and the desk (written only here)."""

import os

# Before NumPy is loaded. The matrices here are small; by default, solving one would spin on all cores, which
# the pollers need, and takes a hundred times as long on a busy machine.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
