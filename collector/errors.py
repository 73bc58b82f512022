"""Every exception of the house, sorted by what the catcher does about it.

    ClampbookError
      ConfigError        a person must edit a file                      -> say file, line and key; exit
        LayoutError      the same for a layout file
      SourceError        the controller or the way to it
        LinkDown         refused, reset, timed out, cut in mid-frame    -> new connection after a pause
        BadReply         an answer that can't be trusted                -> the same, counted by kind
        Refused          the controller said "no", with its code        -> longest pause; a person must look
          OtherController  it is another one than the site file says    -> the same; the book takes nothing
        TornRead         overwritten while being read                   -> read again, a few times
      DecodeError        bytes make no sense                            -> raw bytes to quarantine, go on
      StoreError         the book can't take it now                     -> the same work again later
        TookTooLong      a read was ended after its time was up         -> the asker asks for less
        BookDamaged      its file is damaged                            -> the daemon ends; a person must look
        StalePosition    the book stands elsewhere than we thought      -> recall the position, plan anew
      QueryError         a question that can't be answered as put       -> the API makes a problem of it

A gap, a wrap, a swapped tool is data, not an exception.
"""

from dataclasses import dataclass


class ClampbookError(Exception):
    """Base of all; never raised itself."""


@dataclass(frozen=True, slots=True)
class Mistake:
    """One mistake in a file that a person wrote."""

    file: str
    line: int | None
    """1-based; None where the file as a whole is meant."""
    key: str
    """Dotted path, such as `controllers[2].poll_interval_s`; empty for the whole file."""
    says: str
    """What is wrong and what to do, one sentence."""

    def __str__(self) -> str:
        place = self.file if self.line is None else f"{self.file}:{self.line}"
        return f"{place}: {self.key}: {self.says}" if self.key else f"{place}: {self.says}"


class ConfigError(ClampbookError):
    """A site file can't be used as it is; `mistakes` lists all that is wrong, not only the first."""

    def __init__(self, mistakes: list[Mistake]) -> None:
        super().__init__("\n".join(str(mistake) for mistake in mistakes))
        self.mistakes = mistakes


class LayoutError(ConfigError):
    """A layout file can't be used as it is."""


class SourceError(ClampbookError):
    """The controller, or the way to it, did not give what was asked for; the connection is over."""


class LinkDown(SourceError):
    """Refused, reset, timed out or cut in mid-frame."""


class BadReply(SourceError):
    """An answer that can't be trusted, or that did not come in time and can't be any more when it does.

    `kind`: short, long, mislabelled, late, shifted or garbled.
    """

    def __init__(self, kind: str, says: str) -> None:
        super().__init__(f"{kind} reply: {says}")
        self.kind = kind


class Refused(SourceError):
    """The controller answered "no". `code` is the protocol's own, in words where the protocol has them."""

    def __init__(self, code: str, says: str) -> None:
        super().__init__(says)
        self.code = code


class OtherController(Refused):
    """What answers is another controller than the one that belongs here."""

    def __init__(self, says: str) -> None:
        super().__init__("other controller", says)


class TornRead(SourceError):
    """What was read was overwritten meanwhile. The connection is good; read again."""


class DecodeError(ClampbookError):
    """Bytes that make no sense under the layout."""

    def __init__(self, layout: str, field: str, offset: str, raw: bytes, says: str) -> None:
        super().__init__(f"layout {layout}, field {field} at {offset}: {says}")
        self.layout = layout
        self.field = field
        self.offset = offset
        self.raw = raw


class StoreError(ClampbookError):
    """The store can't take or give it now (locked, full, unreachable). Nothing of it is in the book."""


class TookTooLong(StoreError):
    """A read was ended because its time was up."""


class BookDamaged(StoreError):
    """What is in the book's file can't be trusted any more: nothing more may be written to it."""


class StalePosition(StoreError):
    """The work was built on another position than the book's. Nothing of it is in; recall and plan anew."""

    def __init__(self, controller: str, expected: object, found: object) -> None:
        super().__init__(f"{controller}: the book stands at {found}, this work was built on {expected}")


class QueryError(ClampbookError):
    """A question that can't be answered as it was put."""


class NotInBook(QueryError):
    """What was asked for is not in the book."""


class NotCorrectable(QueryError):
    """A record that people made can't be corrected in this way; the sentence says what can be done."""


class AmbiguousTool(QueryError):
    """Two makers share the serial number; the asker has to name the maker."""

    def __init__(self, serial: str, makers: list[str]) -> None:
        super().__init__(
            f"serial {serial} is known from {len(makers)} makers; add ?maker= and one of: {', '.join(makers)}"
        )
        self.makers = makers


class AmbiguousModel(QueryError):
    """One maker has used the serial number for two models; the asker has to name the model."""

    def __init__(self, serial: str, models: list[str]) -> None:
        super().__init__(
            f"serial {serial} is known for {len(models)} models; add ?model= with one of: {', '.join(models)}"
        )
        self.models = models
