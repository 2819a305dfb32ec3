"""Tests of the package; as a command does, they keep the numerical library to one thread before it is loaded."""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
