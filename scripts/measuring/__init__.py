"""What the scripts that measure share: made-up and real recordings, scores, tables.

Importing this package keeps numerical libraries to one thread each, so that processes side by side do not fight for the
processor and times compare; import it before numpy.
"""

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
