"""Moved to `replay.rotation`, below all folders, because sensors turn vectors too."""

from replay.rotation import *  # noqa: F403
