"""What a person says of one start of the daemon alone."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class StartOptions:
    """new              begin an empty journal in the place of one that is gone
    accept_loss      go on with a journal that holds less than was acknowledged
    new_badge_key    make another key in the place of one that is lost
    """

    new: bool = False
    accept_loss: bool = False
    new_badge_key: bool = False
