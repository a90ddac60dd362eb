"""Moved to `replay._quaternion`."""

from replay._quaternion import from_rotvec, multiply, rotate  # noqa: F401
