"""Run a program that cannot outlive the demo: `python leash.py PROGRAM ARG...`.

The demo holds the other end of our standard input and never writes to it. When it ends, however
that happens, the pipe closes and the program is killed. (Linux could do this without a process in
between, but forgets the request when a server such as Mosquitto changes its user.) Run as a file,
not as a module, so that it starts without our imports.
"""

import os
import signal
import subprocess
import sys
import threading


def main() -> int:
    child = subprocess.Popen(sys.argv[1:], stdin=subprocess.DEVNULL)  # nosec B603 # services.py builds it
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda n, _frame: child.send_signal(n))

    def watch() -> None:
        while os.read(0, 1):
            pass
        child.kill()

    threading.Thread(target=watch, daemon=True).start()
    code = child.wait()
    return code if code >= 0 else 128 - code


if __name__ == "__main__":
    sys.exit(main())
