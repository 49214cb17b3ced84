"""What can go wrong, as types: each message is one sentence a maker can act on.

Every message says what is wrong, where, and what to do about it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

Progress = Callable[[float, str], None]
"""Told how much is done, 0 to 1, and what comes now; may raise `Cancelled`."""

Told = Callable[[float], None]
"""Told how much is done of a part of the work, 0 to 1; may raise `Cancelled`."""


class SeamwrightError(Exception):
    """Base of every error the library raises on purpose."""

    exit_code = 1


class BadInput(SeamwrightError):
    """What was given cannot be used: a file, a job, a mesh, a seam."""

    exit_code = 2


class CheckFailed(SeamwrightError):
    """The work was done, but a check of the result did not hold."""

    exit_code = 3


class Misfit(CheckFailed):
    """Pieces fit no printer; `pieces` has what there is to say of each, by number."""

    def __init__(self, said: str, pieces: Mapping[int, str]) -> None:
        super().__init__(said)
        self.pieces = dict(pieces)


class Cancelled(SeamwrightError):
    """The progress callback asked for the work to stop; nothing was changed."""

    exit_code = 130
