"""Starts real `nursery serve` processes quickly: everything is imported once, each is forked.

python -m tests.faults.nest        # reads "PORT DATABASE LOG" lines, answers each with a pid
"""

import ctypes
import os
import resource
import signal
import sys
from contextlib import suppress

import api.app
import api.schema
import nursery.cli
from nursery.settings import read_settings

_WITH_THE_PARENT = 1  # PR_SET_PDEATHSIG of Linux's prctl

if __name__ == "__main__":
    assert api.app.create_app is not None
    api.schema.make_schema(read_settings())  # warms what the libraries keep
    signal.signal(signal.SIGCHLD, signal.SIG_IGN)  # the dead are not kept
    print("ready", flush=True)
    born = []
    for line in sys.stdin:
        port, address, log, most = line.split()
        child = os.fork()
        if child == 0:
            signal.signal(signal.SIGCHLD, signal.SIG_DFL)
            os.setsid()
            if sys.platform == "linux":  # whoever kills us, however, ends them
                ctypes.CDLL(None).prctl(_WITH_THE_PARENT, signal.SIGKILL)
            told = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_APPEND)
            os.dup2(told, 1)
            os.dup2(told, 2)
            os.close(0)
            if int(most):
                resource.setrlimit(resource.RLIMIT_FSIZE, (int(most), int(most)))
            sys.argv = ["nursery", "serve", "--port", port, "--database", address]
            nursery.cli.main()
            os._exit(0)
        born.append(child)
        print(child, flush=True)
    for child in born[-8:]:  # whoever asked is gone: nothing is left running
        with suppress(ProcessLookupError):
            os.kill(child, signal.SIGKILL)
