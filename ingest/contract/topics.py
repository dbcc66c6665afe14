"""The topics of the contract: ``underair/v1/{service}/set|desk/{id}/{kind}``."""

import re
from functools import lru_cache
from typing import Literal, NamedTuple

from ingest.contract.errors import RefusedMessage
from ingest.contract.kinds import DESK_KINDS, ID_PATTERN, ID_WORDS, SET_KINDS

EVERY_TOPIC = "underair/v1/#"

is_id = re.compile(ID_PATTERN.removesuffix("$")).fullmatch


def is_own_state(topic: str) -> bool:
    """Return whether underair itself publishes the state of its live board there."""
    if "/board" not in topic:  # asked of every message: most are answered here
        return False
    return topic.startswith("underair/v1/") and topic.split("/", 4)[3:4] == ["board"]


class Topic(NamedTuple):
    """Who speaks about what."""

    service: str
    speaker: Literal["set", "desk"]
    speaker_id: str
    kind: str

    @property
    def text(self) -> str:
        """The topic as published."""
        return f"underair/v1/{self.service}/{self.speaker}/{self.speaker_id}/{self.kind}"


@lru_cache(maxsize=65_536)
def parse_topic(topic: str) -> Topic:
    """Take a topic apart; `RefusedMessage` when it is not one of the contract."""
    levels = topic.split("/")
    if levels[:2] != ["underair", "v1"] or len(levels) != 6:
        raise RefusedMessage(
            f"topic {_shown(topic)} is neither underair/v1/SERVICE/set/SET_ID/KIND "
            "nor underair/v1/SERVICE/desk/DESK_ID/KIND"
        )
    _, _, service, speaker, speaker_id, kind = levels
    if speaker not in ("set", "desk"):
        raise RefusedMessage(f"topic {_shown(topic)}: level 4 must be set or desk, got {_shown(speaker)}")
    for name, level in (("service", service), (f"{speaker}_id", speaker_id)):
        if not is_id(level):
            raise RefusedMessage(f"topic {_shown(topic)}: {name} must be {ID_WORDS}, got {_shown(level)}")
    kinds = SET_KINDS if speaker == "set" else DESK_KINDS
    if kind not in kinds:
        raise RefusedMessage(
            f"topic {_shown(topic)}: a {speaker} sends {', '.join(kinds)}, got {_shown(kind)}"
        )
    return Topic(service, speaker, speaker_id, kind)  # type: ignore[arg-type]


def _shown(text: str) -> str:
    return repr(text if len(text) <= 120 else text[:117] + "...")
