"""What some figures need besides the estimate, worked out where it can be.

The flight explained, a reconciliation, a re-flown flight and other flights ride in `Snapshot.extras` under the names below; what can't
be had rides there too, with the reason in one line.
"""

from __future__ import annotations

import dataclasses
import threading
from collections.abc import Callable, Iterable, Sequence
from typing import TYPE_CHECKING, Any, Final

from replay.errors import Cancelled, CannotEstimate, ReplayError
from replay.review import explain
from replay.review.review import Review
from replay.review.series import EXTRA, OVERLAYS, reflown_of
from replay.review.series import REFLOWN as OVERLAY_NAME
from replay.review.snapshot import Snapshot

if TYPE_CHECKING:
    from replay.review.whatif_work import Reflown, WhatIfRequest
    from replay.whatif.reconciliation import Reconciliation

EXPLAINED: Final = explain.EXPLAINED
RECONCILIATION: Final = "reconciliation"
REFLOWN: Final = "reflown"
CAMPAIGN: Final = "campaign"
ABSENT: Final = "absent"
"""Under this name `Snapshot.extras` carries {name: why it can't be had}."""

Progress = Callable[[float, str], None]


def material_of(snapshot: Snapshot, name: str) -> Any:
    """What a snapshot carries under a name; None where it does not."""
    return (snapshot.extras or {}).get(name)


def with_material(snapshot: Snapshot, **material: Any) -> Snapshot:
    """A snapshot that carries more."""
    return dataclasses.replace(snapshot, extras={**(snapshot.extras or {}), **material})


def why_absent(snapshot: Snapshot, name: str, otherwise: str) -> str | None:
    """None where a snapshot carries what is named; else why not."""
    if material_of(snapshot, name) is not None:
        return None
    absent = material_of(snapshot, ABSENT) or {}
    return str(absent.get(name, otherwise))


def gathered(
    snapshot: Snapshot,
    wanted: Iterable[str],
    review: Review,
    *,
    beside: Sequence[tuple[str, Snapshot]] = (),
    progress: Progress | None = None,
    cancel: threading.Event | None = None,
) -> Snapshot:
    """The snapshot with what is wanted of explanation, reconciliation, re-flown flight and other flights.

    Parameters
    ----------
    snapshot : Snapshot
        What it carries already is kept.
    wanted : iterable of str
    review : Review
        That the snapshot was estimated from.
    beside : sequence of (name, Snapshot)
        Other flights of a campaign.
    progress, cancel : optional

    Raises
    ------
    Cancelled
    """
    from replay.review.whatif_work import WhatIfRequest

    request = WhatIfRequest(snapshot.log, review, snapshot.vehicle)
    tell = progress or (lambda share, text: None)
    stop = cancel or threading.Event()
    material: dict[str, Any] = {CAMPAIGN: tuple(beside)} if beside else {}
    absent: dict[str, str] = dict(material_of(snapshot, ABSENT) or {})
    makers = {RECONCILIATION: _reconciled, REFLOWN: _reflown}
    for name in wanted:
        if name == EXPLAINED and material_of(snapshot, EXPLAINED) is None:
            tell(0.0, "explaining the flight")
            material[EXPLAINED] = explain.explain_snapshot(snapshot, review, stop)
        if name not in makers or material_of(snapshot, name) is not None:
            continue
        try:
            material[name] = makers[name](request, tell, stop)
        except Cancelled:
            raise
        except ReplayError as error:
            absent[name] = str(error)
    if absent:
        material[ABSENT] = absent
    return with_material(snapshot, **material)


def with_reflown_drawn(
    snapshot: Snapshot, review: Review, progress: Progress | None = None, cancel: threading.Event | None = None
) -> Snapshot:
    """The snapshot with the re-flown flight among its overlays, as the window draws it; flown again here where it is not there yet.

    Raises
    ------
    CannotEstimate
        No vehicle or no what-if, or as `whatif.refly`.
    Cancelled
    """
    from replay.review.whatif_work import ReflyRequest, WhatIfRequest, solve_asked

    if reflown_of(snapshot) is not None:
        return snapshot
    found: Reflown | None = material_of(snapshot, REFLOWN)
    if found is None:
        request = ReflyRequest(WhatIfRequest(snapshot.log, _with_whatif(review), snapshot.vehicle))
        found = solve_asked(request, progress or (lambda share, text: None), cancel or threading.Event())
    extras = dict(snapshot.extras or {})
    extras.pop(EXTRA, None)  # its lines are without the new one
    overlays = {**(extras.get(OVERLAYS) or {}), OVERLAY_NAME: found.overlay}
    return dataclasses.replace(snapshot, extras={**extras, OVERLAYS: overlays})


def _with_whatif(review: Review) -> Review:
    if review.corrected == review.as_flown:
        raise CannotEstimate("re-fly", "no what-if calibration: give --calibration C (plumbline reconcile makes one)")
    return review


def _reconciled(request: WhatIfRequest, progress: Progress, cancel: threading.Event) -> Reconciliation:
    from replay.review.whatif_work import solve_reconcile

    return solve_reconcile(request, progress, cancel)


def _reflown(request: WhatIfRequest, progress: Progress, cancel: threading.Event) -> Reflown:
    from replay.review.whatif_work import ReflyRequest, solve_asked

    _with_whatif(request.review)
    return solve_asked(ReflyRequest(request, with_ensemble=True), progress, cancel)
