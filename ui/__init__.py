"""What people see: commands, pages, pictures, reports."""

import os

# One thread for linear algebra, unless told otherwise: our matrices are small, several threads only get into each
# other's way (a page of causes took seven times the processor time), and a sum that is split over as many threads
# as a machine happens to have does not round alike everywhere.
for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
