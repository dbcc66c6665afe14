"""A message as it came off the network: what the journal keeps of it, and what acknowledges it."""

from typing import NamedTuple


class Record(NamedTuple):
    """One message as it was received."""

    received_us: int  # microseconds since 1970 on the listener's clock
    topic: str
    payload: bytes
    retained: bool
    whole_bytes: int = 0  # length of a payload of which only the start was kept; 0 when it is whole


class Delivery(NamedTuple):
    """A message out of the network, with what is needed to acknowledge it."""

    record: Record
    mid: int
    qos: int
    generation: int  # of the connection that it came by
