"""Ctrl-C where nothing can be kept: the program ends at once, without a traceback.

Loading the libraries takes a good tenth of a second, and Ctrl-C in it would end in a traceback out of one of them, or
be swallowed by it. So this is set up before they are loaded, with little more than the operating system.
"""

from __future__ import annotations

import os
import signal

__all__ = ["STOPPED", "hear_ctrl_c", "stop_at_once"]

STOPPED = 130
"""Exit code after Ctrl-C: 128 and the number of SIGINT, as shells have it."""
_SHOW_CURSOR = b"\x1b[?25h"


def hear_ctrl_c() -> None:
    """From now on Ctrl-C ends the program at once; where somebody chose to ignore it, that stays."""
    if signal.getsignal(signal.SIGINT) is signal.default_int_handler:
        signal.signal(signal.SIGINT, stop_at_once)


def stop_at_once(*_: object) -> None:
    """End the program here and now; a progress bar may have hidden the cursor."""
    try:  # noqa: SIM105 (contextlib would have to be loaded)
        os.write(2, b"\nStopped at once; nothing was written.\n" + (_SHOW_CURSOR if os.isatty(2) else b""))
    except OSError:
        pass  # nobody listens
    os._exit(STOPPED)
