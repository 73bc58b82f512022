"""Whoever is told what is new, and what can come of it."""

from abc import ABC, abstractmethod
from datetime import timedelta
from typing import Literal

from api.push.events import Event
from collector.errors import ClampbookError
from collector.pushing import Begin
from collector.store.feed import Kind


class Away(ClampbookError):
    """The receiver can't be had now; what follows would fare no better. `asked_s`: when to come again."""

    def __init__(self, says: str, asked_s: float | None = None) -> None:
        super().__init__(says)
        self.asked_s = asked_s


class NotTaken(ClampbookError):
    """The receiver is there, and did not take this one."""


class WantsNoMore(ClampbookError):
    """The receiver does not want to be told anything any more."""


class Receiver(ABC):
    name: str
    way: Literal["webhook", "broker"]
    address: str
    """For people; nothing secret in it."""
    kinds: tuple[Kind, ...]
    begin: Begin
    give_up_after: timedelta

    @abstractmethod
    async def tell(self, event: Event) -> None:
        """Returns when the receiver has it. Raises: Away; NotTaken; WantsNoMore."""

    @abstractmethod
    async def close(self) -> None: ...
