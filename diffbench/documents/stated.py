"""Keys of a rig's [file] that are stated beside any rig, checked as a rig's are."""

from __future__ import annotations

from collections.abc import Mapping

from pydantic import ValidationError

from diffbench.documents.faults import faults_of
from diffbench.documents.rig import FileSettings
from diffbench.errors import DocumentError


def stated_settings(raw: Mapping[str, object], where: str) -> FileSettings:
    """Return what is stated of a file.

    Parameters
    ----------
    raw : mapping
        Keys of [file], and their values as TOML would have them.
    where : str
        Where they stand, for messages: an option of the command line.

    Returns
    -------
    The settings.

    Raises
    ------
    DocumentError : with every fault of them.

    Examples
    --------
    >>> stated_settings({"delimiter": "tab"}, "--file").delimiter
    '\\t'
    """
    try:
        return FileSettings.model_validate(dict(raw))
    except ValidationError as error:
        raise DocumentError(faults_of(error, FileSettings, where, "")) from error
