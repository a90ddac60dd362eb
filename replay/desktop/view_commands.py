"""Commands of the View menu: cameras, orbit, zoom, and what the traces show."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QMenu

from replay.units import DEG

if TYPE_CHECKING:
    from replay.desktop.window import MainWindow

_TURN_RAD = 7.5 * DEG
_ZOOM = 1.18
_AROUND_S = 1.0


class ViewCommands:
    """Its `on_...` methods are the table's commands; they do nothing while a view is not there yet."""

    def __init__(self, window: MainWindow) -> None:
        self._window = window

    def on_camera_chase(self) -> None:
        self._window.attitude.set_camera("chase")

    def on_camera_pad(self) -> None:
        self._window.attitude.set_camera("pad")

    def on_camera_side(self) -> None:
        self._window.attitude.set_camera("side")

    def on_camera_top(self) -> None:
        self._window.attitude.set_camera("top")

    def on_camera_orbit(self) -> None:
        self._window.attitude.set_camera("orbit")

    def on_camera_back(self) -> None:
        self._window.attitude.reset_camera()

    def on_orbit_left(self) -> None:
        self._window.attitude.orbit(_TURN_RAD, 0.0)

    def on_orbit_right(self) -> None:
        self._window.attitude.orbit(-_TURN_RAD, 0.0)

    def on_orbit_up(self) -> None:
        self._window.attitude.orbit(0.0, _TURN_RAD)

    def on_orbit_down(self) -> None:
        self._window.attitude.orbit(0.0, -_TURN_RAD)

    def on_panel_on(self) -> None:
        self._turn_panel(1)

    def on_panel_back(self) -> None:
        self._turn_panel(-1)

    def _turn_panel(self, by: int) -> None:
        """The focus goes to the tabs, so that Tab leads on into the panel."""
        tabs = self._window.tabs
        tabs.setCurrentIndex((tabs.currentIndex() + by) % tabs.count())
        tabs.tabBar().setFocus(Qt.FocusReason.ShortcutFocusReason)

    def on_zoom_in(self) -> None:
        self._window.attitude.zoom(_ZOOM)

    def on_zoom_out(self) -> None:
        self._window.attitude.zoom(1.0 / _ZOOM)

    def on_whole_flight(self) -> None:
        if self._window.traces is not None:
            self._window.traces.fit()

    def on_around_cursor(self) -> None:
        if self._window.traces is not None:
            at = self._window.player.playback.log_time_s
            self._window.traces.set_window(at - _AROUND_S, at + _AROUND_S)

    def on_traces(self) -> None:
        if self._window.traces is not None:
            self._window.traces.choose_by_dialog()

    def on_diagnostics(self) -> None:
        window = self._window
        snapshot = window.session.snapshot
        if window.traces is not None and snapshot is not None and not window.traces.toggle_diagnostics():
            method = snapshot.as_flown.method
            window.bar.say(f"{method} has neither innovations nor rest residuals here: choose kalman or smoother in Estimator.", "hint")

    def on_measure(self) -> None:
        traces = self._window.traces
        if traces is not None:
            traces.set_measuring(traces.span_log_s is None)

    def fill_phases(self, menu: QMenu) -> None:
        """The phases of this flight."""
        from replay.review.series import of_snapshot

        menu.clear()
        snapshot = self._window.session.snapshot
        phases = of_snapshot(snapshot).marks.phases if snapshot is not None else ()
        for phase in phases:
            menu.addAction(phase.name.capitalize(), lambda name=phase.name: self._window.traces.zoom_to_phase(name))
        if not phases:
            menu.addAction("No flight open").setEnabled(False)
