"""A request to end (SIGTERM, SIGINT) that is not lost, wherever it finds the program.

Python raises the exception of a signal at whatever line is running. Where that line is called back from
compiled code (the search for thread pools does so before every task), the exception is printed and
forgotten, and the work would go on to its end. So the request is noted too, and asked for between tasks.
"""

from __future__ import annotations

import signal
import threading

_asked: list[BaseException] = []


def end_when_asked() -> None:
    """From now on, turn the signals to end into ordinary exceptions that also `leave_if_asked` raises.

    SIGTERM becomes ``SystemExit(143)``; SIGINT stays a ``KeyboardInterrupt``, and stays ignored where the
    caller ignores it. Outside the main thread nothing happens: only that one may set handlers.

    Examples
    --------
    >>> from sigkit.interruption import end_when_asked, leave_if_asked
    >>> end_when_asked()  # doctest: +SKIP
    >>> leave_if_asked()
    """
    if threading.current_thread() is not threading.main_thread():
        return
    _asked.clear()
    signal.signal(signal.SIGTERM, _note)
    if signal.getsignal(signal.SIGINT) is signal.default_int_handler:
        signal.signal(signal.SIGINT, _note)


def leave_if_asked() -> None:
    """Raise the exception of a request to end that came since `end_when_asked`; nothing without one.

    Raises
    ------
    SystemExit, KeyboardInterrupt
    """
    if _asked:
        raise _asked[0]


def _note(number: int, frame: object) -> None:
    request = KeyboardInterrupt() if number == signal.SIGINT else SystemExit(128 + number)
    _asked.append(request)
    raise request
