"""The errors that a worker reads.

``FragareaError``
    ``PhotoProblem``            this photo cannot be measured; the batch goes on
        ``UnreadablePhoto``     not an image, truncated, too large, animated ...
        ``ReferenceNotFound``   too few tags, no rim, nothing to scale by
        ``ViewUnusable``        tilt, blur or scale that no outline survives
        ``SiteNotFound``        nothing says which tray or pad this is, or no plug was found
    ``TableProblem``            fragments or placements table has errors, listed line by line
    ``SettingsProblem``         nursery.toml, a reference file or an option is wrong
    ``LogbookProblem``          the logbook cannot be opened, is newer than this program, or is locked
"""

from __future__ import annotations

from datetime import datetime


class FragareaError(Exception):
    """Anything the user can mend; its text is shown as it stands, without a traceback."""


class PhotoProblem(FragareaError):
    """One photo cannot be measured.

    Parameters
    ----------
    photo : str
        File name as the user knows it.
    cause : str
        What was seen, without a final full stop.
    remedy : str
        What to do next, without a final full stop.

    Attributes
    ----------
    taken_at : datetime or None
        When the photo was taken; set by whoever read the photo before something else went wrong.
    """

    taken_at: datetime | None = None

    def __init__(self, photo: str, cause: str, remedy: str) -> None:
        self.photo = photo
        self.cause = cause
        self.remedy = remedy[:1].upper() + remedy[1:]
        super().__init__(f"{photo}: {cause}. {self.remedy}.")

    def __reduce__(self) -> tuple[type[PhotoProblem], tuple[str, str, str]]:
        # Workers hand errors back through pickle; the default would pass one argument instead of three.
        return (type(self), (self.photo, self.cause, self.remedy))


class UnreadablePhoto(PhotoProblem):
    """The file is not a photo that can be read."""


class ReferenceNotFound(PhotoProblem):
    """Nothing in the photo gives a scale."""


class ViewUnusable(PhotoProblem):
    """Tilt, blur or scale leave no outline to trust."""


class SiteNotFound(PhotoProblem):
    """Nothing says where the fragments of this photo sit."""


class TableProblem(FragareaError):
    """A table of the nursery has errors.

    Parameters
    ----------
    table : str
        File name.
    lines : sequence of str
        One message a fault, each beginning with its line number.
    """

    def __init__(self, table: str, lines: list[str] | tuple[str, ...]) -> None:
        self.table = table
        self.lines = tuple(lines)
        super().__init__("\n".join([f"{table}: {len(self.lines)} problem(s)", *self.lines]))

    def __reduce__(self) -> tuple[type[TableProblem], tuple[str, tuple[str, ...]]]:
        return (type(self), (self.table, self.lines))


class SettingsProblem(FragareaError):
    """A setting, option or description file is wrong."""


class LogbookProblem(FragareaError):
    """The logbook cannot be used."""
