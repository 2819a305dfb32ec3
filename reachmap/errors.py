"""What went wrong, said to a person: which file, which row, what is wrong, what to do."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

Severity = Literal["error", "warning", "note"]


@dataclass(frozen=True)
class Finding:
    """One thing noticed about the input.

    Parameters
    ----------
    severity : "error" stops the run, "warning" is listed, "note" records a guess that was made
    file : the file as the user named it, or "" when no single file is to blame
    where : row, feature, setting or position inside the file, e.g. "row 12", "[water] clarity_m"
    what : what is wrong, with the value found
    remedy : what the user can do about it
    code : short stable key of the kind of message, e.g. "decimal-comma"
    """

    severity: Severity
    file: str
    where: str
    what: str
    remedy: str
    code: str = ""

    def __str__(self) -> str:
        place = ", ".join(part for part in (self.file, self.where) if part)
        text = f"{place}: {self.what}" if place else self.what
        return f"{text}. {self.remedy}" if self.remedy else text


def sterner(findings: Sequence[Finding]) -> tuple[Finding, ...]:
    """The same findings with every warning an error."""
    return tuple(replace(f, severity="error") if f.severity == "warning" else f for f in findings)


class ReachmapError(Exception):
    """Base of every error meant for the user; its text is shown as it stands, without a traceback."""


class InputError(ReachmapError):
    """The input can't be used; carries every finding, not only the first.

    Parameters
    ----------
    findings : what was found, errors and warnings together
    """

    def __init__(self, findings: Sequence[Finding]) -> None:
        self.findings = tuple(findings)
        super().__init__("\n".join(str(f) for f in self.findings if f.severity == "error"))


class SettingError(ReachmapError):
    """A setting (command line, curves file, API argument) has a value that can't be used."""


class OutputError(ReachmapError):
    """The results could not be written; whatever stood there before still stands."""
