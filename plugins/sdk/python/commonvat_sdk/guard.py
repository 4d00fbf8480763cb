"""Keeps standard output for the handshake.

Importing it moves the host's end of standard output to a descriptor of its own and lets descriptor 1 lead to standard error, so that
prints of any code in this process end in the log. It does nothing in a process that no host started.
"""

import fcntl
import os
import sys

# The handshake between host and module. The cookie only tells a module that a host started it; it protects nothing.
COOKIE_KEY = "COMMONVAT_MODULE"
COOKIE_VALUE = "d3a1f0c27be94586"

started_as_module = os.environ.get(COOKIE_KEY) == COOKIE_VALUE

# Descriptor that leads to the host; None when the process is not a module.
handshake_fd = None

# What modules need, by the Debian package that has it.
PACKAGES = {"google": "python3-protobuf", "grpc": "python3-grpcio", "cryptography": "python3-cryptography", "numpy": "python3-numpy"}


def _tell(kind, error, trace):
    """Says what to install, behind what Python says of an exception that nobody caught."""
    sys.__excepthook__(kind, error, trace)
    package = PACKAGES.get((getattr(error, "name", None) or "").split(".")[0]) if isinstance(error, ImportError) else None
    if package:
        print(f"{sys.executable} lacks what this module needs; on Debian: apt-get install {package}", file=sys.stderr)


sys.excepthook = _tell

if started_as_module:
    handshake_fd = fcntl.fcntl(1, fcntl.F_DUPFD_CLOEXEC, 10)
    os.dup2(2, 1)
    # A pipe would be buffered whole, and the last words of a dying module lost.
    sys.stdout.reconfigure(line_buffering=True)
    # One thread of linear algebra gives the same figures everywhere, and starts sooner. Read by numpy when it is imported.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    os.environ.setdefault("OMP_NUM_THREADS", "1")
