"""How often somebody may be wrong, and how often right: failed attempts are rationed for each address and in
all, requests for each valid token.

An allowance is a burst that refills at a steady pace, kept as one number: the instant at which it is whole
again (the generic cell rate algorithm of ATM, ITU-T I.371, turned around). Pure: time is an argument, in
seconds of any clock that only goes forward.
"""

from collections import OrderedDict
from dataclasses import dataclass

MOST_ADDRESSES = 10_000


@dataclass(frozen=True, slots=True)
class Allowance:
    burst: int
    """So many at once."""
    every_s: float
    """One more after so many seconds."""

    def wait_s(self, whole_at: float, now: float) -> float:
        """How long until one may be taken; 0: now."""
        return max(0.0, whole_at - now - (self.burst - 1) * self.every_s)

    def taken(self, whole_at: float, now: float) -> float:
        """`whole_at` after one was taken."""
        return max(whole_at, now) + self.every_s


class Rations:
    """How often the bearer of each token may ask."""

    def __init__(self, allowance: Allowance) -> None:
        self._allowance = allowance
        self._whole_at: dict[str, float] = {}

    def take(self, token_id: str, now: float) -> float:
        """One request. Returns: 0: it may be answered; else in how many seconds, and nothing was taken."""
        whole_at = self._whole_at.get(token_id, now)
        if wait_s := self._allowance.wait_s(whole_at, now):
            return wait_s
        self._whole_at[token_id] = self._allowance.taken(whole_at, now)
        return 0.0

    def give_back(self, token_id: str, part: float) -> None:
        """Of the last request: it cost less."""
        self._whole_at[token_id] -= part * self._allowance.every_s


PER_ADDRESS = Allowance(burst=10, every_s=6.0)
IN_ALL = Allowance(burst=100, every_s=0.5)


class Throttle:
    """Forgets the addresses that have their whole allowance back; where that is not enough, the oldest."""

    def __init__(
        self,
        per_address: Allowance = PER_ADDRESS,
        in_all: Allowance = IN_ALL,
        most_addresses: int = MOST_ADDRESSES,
    ) -> None:
        self._per_address = per_address
        self._in_all = in_all
        self._most_addresses = most_addresses
        self._whole_at: OrderedDict[str, float] = OrderedDict()
        self._all_whole_at = float("-inf")

    def __len__(self) -> int:
        return len(self._whole_at)

    def wait_s(self, address: str, now: float) -> float:
        """How long this address has to wait before it may try; 0: it may now."""
        own = self._per_address.wait_s(self._whole_at.get(address, now), now)
        return max(own, self._in_all.wait_s(self._all_whole_at, now))

    def failed(self, address: str, now: float) -> None:
        """An attempt from this address was wrong."""
        whole_at = self._per_address.taken(self._whole_at.pop(address, now), now)
        self._whole_at[address] = whole_at
        self._all_whole_at = self._in_all.taken(self._all_whole_at, now)
        if len(self._whole_at) > self._most_addresses:
            self._forget(now)

    def _forget(self, now: float) -> None:
        for address in [each for each, whole_at in self._whole_at.items() if whole_at <= now]:
            del self._whole_at[address]
        while len(self._whole_at) > self._most_addresses:
            self._whole_at.popitem(last=False)
