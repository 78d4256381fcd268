"""Signals as a person's terminal leaves them, however the tests themselves were started."""

from __future__ import annotations

import signal

_OF_A_TERMINAL = ("SIGHUP", "SIGINT", "SIGQUIT")


def heed_signals() -> None:
    r"""Let programs that are started from here on heed a hangup, Ctrl-C and Ctrl-\.

    Tests started by nohup, or in the background of a script, ignore these, and so would all that they start (POSIX,
    execve: ignored signals stay ignored, caught ones fall back to the default). So they are caught here, and nothing is
    done about them: the tests themselves go on, as whoever started them wanted.
    """
    for name in _OF_A_TERMINAL:
        number = getattr(signal, name, None)  # not all of them are on Windows
        if number is not None and signal.getsignal(number) is signal.SIG_IGN:
            signal.signal(number, lambda *_: None)
