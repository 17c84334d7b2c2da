"""What the installed command and `python -m enginelog` run: the command line, with Ctrl-C answered while it loads."""

from __future__ import annotations

import os
import sys

STATUS_STOPPED = 130
# Word for word what `cli.console` says later on, whose module takes most of the loading.
STOPPED = "enginelog: stopped; what was finished is kept, and nothing is half written\n"


def _stop(*_: object) -> None:
    """End the process at once. Nothing was begun, and a KeyboardInterrupt amidst the loading of packages does not
    always come through: some swallow it, or Python shows it as an exception it ignored."""
    os.write(2, STOPPED.encode("ascii"))
    os._exit(STATUS_STOPPED)


try:
    import signal  # it loads more than all of this module: until it is there, Ctrl-C is what Python makes of it
except KeyboardInterrupt:
    _stop()


def main() -> int:
    """Run the command line with the arguments of the process and return its exit status; 130 after Ctrl-C."""
    _fill_closed()
    ours = signal.getsignal(signal.SIGINT) is signal.default_int_handler  # else somebody wants it ignored
    if ours:
        signal.signal(signal.SIGINT, _stop)
    from enginelog.cli import main as run

    if ours:
        signal.signal(signal.SIGINT, signal.default_int_handler)
    return run()


def _fill_closed() -> None:
    """Open what the caller closed of input, output and errors on nothing: the next file opened would get its number,
    and what a library writes on its own errors would go into it."""
    for number in (0, 1, 2):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)  # takes the lowest free number, which is this one


if __name__ == "__main__":
    sys.exit(main())
