"""Modules of the optional study libraries, or an error that says how to get them."""

from __future__ import annotations

import importlib
from types import ModuleType

from sigkit.errors import SettingsError


def study_module(name: str, purpose: str) -> ModuleType:
    """Import a module of the ``study`` extra.

    Parameters
    ----------
    name : str
        Dotted name of the module.
    purpose : str
        What it is needed for, for the error.

    Raises
    ------
    SettingsError
        When it is not installed.

    Examples
    --------
    >>> study_module("no_such_library", "a study")
    Traceback (most recent call last):
    ...
    sigkit.errors.SettingsError: a study needs no_such_library, which is not installed: pip install "sigkit[study]"
    """
    try:
        return importlib.import_module(name)
    except ModuleNotFoundError as missing:
        library = (missing.name or name).split(".")[0]
        raise SettingsError(
            f'{purpose} needs {library}, which is not installed: pip install "sigkit[study]"'
        ) from missing
