"""What an asker may see of the plant: all of it, or the lines that its token is for.

A line is the one on which the site file has a controller: what comes from a controller that it does not name
is of no line, and is left out for whoever may see some lines only.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Self

from fastapi import Request

from api.access.askers import ASKER, Asker


@dataclass(frozen=True, slots=True)
class Sight:
    lines: tuple[str, ...] | None = None
    """None: all."""
    controllers: frozenset[str] | None = None
    """Those on the lines; None: all, also those that the site file does not name any more."""

    @classmethod
    def of(cls, lines: Iterable[str] | None, line_of: Mapping[str, str]) -> Self:
        """Args: line_of: controller -> its line, as the site file has them."""
        if lines is None:
            return cls()
        seen = tuple(lines)
        return cls(seen, frozenset(name for name, line in line_of.items() if line in seen))

    def sees_line(self, line: str | None) -> bool:
        """None: of no line, or of several."""
        return self.lines is None or line in self.lines

    def sees_controller(self, name: str | None) -> bool:
        """None: of none."""
        return self.controllers is None or name in self.controllers


def sight_of(request: Request) -> Sight:
    """Of whoever asks."""
    asker: Asker = request.scope[ASKER]
    lines = None if asker.token is None else asker.token.lines
    return Sight.of(lines, request.app.state.access.line_of)
