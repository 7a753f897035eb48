"""Commands and pages."""

import os

# Before numpy is loaded: the fits multiply small matrices, over which several threads take longer, and far longer on a
# busy machine.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
