"""farmgis: drip irrigation planned from field boundaries and an elevation model."""

import os

__version__ = "0.1.0"

# a thread that waits leaves its core to others: kernels are short, and one that spins slows what it waits for
os.environ.setdefault("OMP_WAIT_POLICY", "passive")
