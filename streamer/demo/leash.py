"""Run a program that cannot outlive the demo: `python leash.py PARENT_PID PROGRAM ARG...`.

On Linux the kernel is asked to end this process when its parent ends, however that happens
(PR_SET_PDEATHSIG), and the request survives the exec that turns it into the program. Elsewhere
the program merely runs. Run as a file, not as a module, so that it starts without our imports.
"""

import ctypes
import os
import signal
import sys

_PR_SET_PDEATHSIG = 1


def main() -> None:
    parent, *command = sys.argv[1:]
    if sys.platform == "linux":
        ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL, 0, 0, 0)
        if os.getppid() != int(parent):  # it died before the request was made
            sys.exit(1)
    os.execvp(command[0], command)  # noqa: S606 - the demo names the program


if __name__ == "__main__":
    main()
