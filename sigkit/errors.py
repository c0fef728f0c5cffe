"""Every exception sigkit raises on purpose, each with a text that says what to do."""

from __future__ import annotations


class SigkitError(Exception):
    """Root of the errors that are meant for the person at the keyboard."""


class PlacedError(SigkitError):
    """Something in a file that cannot be used: names the file, the place, the reason and the remedy.

    Parameters
    ----------
    source : str
        File (or place in an archive) concerned.
    reason : str
        What is wrong, where, and what was expected.
    remedy : str
        What the person can do about it.
    place : str, optional
        Line, column, member, row or array inside the file.
    """

    def __init__(self, source: str, reason: str, remedy: str, place: str = "") -> None:
        super().__init__(source, reason, remedy, place)
        self.source = source
        self.reason = reason
        self.remedy = remedy
        self.place = place

    def __str__(self) -> str:
        where = f"{self.source}, {self.place}" if self.place else self.source
        return f"{where}: {self.reason}. To mend it: {self.remedy}"


class CaptureError(PlacedError):
    """A file cannot be used as a capture; parameters as of `PlacedError`.

    Examples
    --------
    >>> print(CaptureError("a.csv", "column 2 is not a number", "export numbers only", place="line 7"))
    a.csv, line 7: column 2 is not a number. To mend it: export numbers only
    """


class DatasetError(PlacedError):
    """A labelled data set breaks one of its rules; parameters as of `PlacedError`.

    Examples
    --------
    >>> print(DatasetError("splits.csv", "engine heron stands in train and in test", "delete one line", "line 9"))
    splits.csv, line 9: engine heron stands in train and in test. To mend it: delete one line
    """


class ProfileError(SigkitError):
    """A profile or a sidecar holds something that cannot be used."""


class SettingsError(SigkitError):
    """Settings contradict each other, or a model was trained with others."""


class ModelError(SigkitError):
    """A model folder is damaged, untrusted or does not fit."""


class PluginError(SigkitError):
    """A plug-in is unknown, clashes with another name or breaks its contract."""


class SimulationError(SigkitError):
    """Circuit parameters are outside the range the simulator can integrate."""
