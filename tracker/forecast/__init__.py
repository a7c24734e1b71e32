"""What will happen: the rest of the excursion in scenarios, its limits, and advice."""

import os

# One thread for small matrix products: with more, a busy second core stalls every product for
# milliseconds, and the order of summation would depend on the machine's number of cores.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
