"""The window. It wires once: session to views, views to session, commands to whoever does them; after that nothing passes through it."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import Any

from PySide6.QtCore import QEvent, Qt
from PySide6.QtGui import QCloseEvent, QDragEnterEvent, QDropEvent, QShowEvent
from PySide6.QtWidgets import QAbstractButton, QFrame, QMainWindow, QVBoxLayout, QWidget

from replay.desktop import actions, layout, sample_flights, style
from replay.desktop.asking import Asking
from replay.desktop.attitude import NO_ESTIMATE, NOTHING_OPEN, STOPPED, AttitudeView
from replay.desktop.edit_commands import EditCommands
from replay.desktop.explaining import Explaining
from replay.desktop.files import Files
from replay.desktop.help_commands import HelpCommands
from replay.desktop.launch_video import LaunchVideoView
from replay.desktop.message_bar import MessageBar
from replay.desktop.panels import PANELS
from replay.desktop.player import Player
from replay.desktop.preferences import Preferences
from replay.desktop.preparing import preparing_text
from replay.desktop.reading import ReadResult
from replay.desktop.readout import Readout
from replay.desktop.session import Session
from replay.desktop.status import StatusLine
from replay.desktop.transport import Transport
from replay.desktop.view_commands import ViewCommands
from replay.review import edits
from replay.review.launch_video import is_video
from replay.review.review import Review, thaw
from replay.review.snapshot import Snapshot

_BEFORE_LIFTOFF_S = 2.0


class MainWindow(QMainWindow):
    """One flight under review.

    Parameters
    ----------
    preferences : Preferences, optional
        Tests hand in their own.
    asking : Asking, optional
        Who answers the dialogs.
    estimating : callable, optional
        As in `Session`.
    """

    def __init__(self, preferences: Preferences | None = None, asking: Asking | None = None, estimating: Any = None) -> None:
        super().__init__()
        self.setWindowTitle("Plumbline")
        self.setAcceptDrops(True)
        self.preferences = preferences or Preferences()
        self.session = Session(self.preferences, self._wanted_traces, estimating, self)
        self.explaining = Explaining(self.session, self, is_on=estimating is None)  # an invented solution has no log behind it
        self.player = Player(self)
        self.bar = MessageBar()
        asking = asking or Asking(self)
        self.files = Files(self.session, self.bar, asking, self)
        self.edit_commands, self.view_commands = EditCommands(self.session, self.player), ViewCommands(self)
        self.help_commands = HelpCommands(self)
        self.launch_video = LaunchVideoView(self.session, asking)
        self.actions, self.submenus = actions.build(self, self.menuBar(), self._handler)
        self.attitude, self.readout = AttitudeView(), Readout()
        self.traces: QWidget | None = None
        self.timeline: QWidget | None = None
        self.plumb_circle: QWidget | None = None
        self.panels = {kind.id: kind.build(self.session, asking) for kind in PANELS}
        self._arrangement: object = None
        self._is_fresh = False
        self._dropped_video: str | None = None
        self._has_video = False
        self._build()
        self._wire()
        self._show_state()

    # --- building -------------------------------------------------------------------------------------------------------------

    def _build(self) -> None:
        """The shell: everything but the views that need the plotting library, whose places are kept."""
        self.tabs = layout.tabs()
        for kind in PANELS:
            self.tabs.addTab(self.panels[kind.id], kind.title)
        self.transport = Transport(self.actions)
        self._places = {name: _place() for name in ("traces", "plumb_circle", "timeline")}
        bottom = QFrame()
        bottom.setObjectName("card")
        column = QVBoxLayout(bottom)
        column.setContentsMargins(style.GAP // 2, 2, style.GAP // 2, 2)
        column.setSpacing(0)
        column.addWidget(self.transport)
        column.addWidget(self._places["timeline"], 1)
        estimator = layout.card("Estimator", self.tabs) if len(PANELS) == 1 else self.tabs
        self.video_card = layout.card("Launch video", self.launch_video)
        self.video_card.hide()
        self.frame = layout.Frame(
            (layout.card("Attitude", self.attitude), layout.card("Plumb circle", self._places["plumb_circle"])),
            (self.video_card, layout.card("Traces", self._places["traces"])),
            (estimator, layout.card("Readout", self.readout)),
            bottom,
            self.bar,
        )
        self.setCentralWidget(self.frame)
        self.status = StatusLine(self.statusBar(), self.session, self.help_commands.on_cautions)
        layout.restore_geometry(self, self.preferences)
        self._has_places = self.frame.restore(self.preferences)

    def build_plots(self) -> None:
        """The views that need the plotting library; it takes most of a second to load, so the shell is painted first."""
        from replay.desktop.plumb_circle import PlumbCircle
        from replay.desktop.timeline import Timeline
        from replay.desktop.traces import TraceStack

        self.traces, self.plumb_circle, self.timeline = TraceStack(), PlumbCircle(), Timeline()
        for name, place in self._places.items():
            place.layout().addWidget(getattr(self, name))
        self.traces.cursor_requested.connect(self.player.seek)
        self.traces.arrangement_changed.connect(self._on_arrangement)
        self.plumb_circle.cursor_requested.connect(self.player.seek)
        self.timeline.cursor_requested.connect(self.player.seek)
        self.timeline.span_changed.connect(self.player.set_span)
        self.timeline.event_moved.connect(self._on_event_moved)
        self._show_review(self.session.review)
        self._show_sample()
        if self.session.snapshot is not None:
            self._show_snapshot(self.session.snapshot)

    @property
    def views(self) -> tuple[Any, ...]:
        """Every view (`review.snapshot.View`)."""
        plots = (self.traces, self.plumb_circle, self.timeline)
        return (self.attitude, *(view for view in plots if view is not None), self.readout, self.launch_video, *self.panels.values())

    def _wire(self) -> None:
        session, player = self.session, self.player
        session.review_changed.connect(self._show_review)
        session.snapshot_ready.connect(self._show_snapshot)
        session.opened.connect(self._on_opened)
        session.failed.connect(lambda _: self._show_state())
        session.reading.connect(lambda fraction, _: self.attitude.set_waiting(self._nothing() if fraction < 0.0 else "Reading the log…"))
        session.busy_changed.connect(lambda is_busy: self.attitude.set_waiting("Estimating…" if is_busy else self._nothing()))
        session.preparing.progressed.connect(lambda begun, total: self.attitude.set_waiting(preparing_text(begun, total)))
        self.attitude.failed.connect(lambda text: self.bar.say(text, "error"))
        self.files.text_wanted.connect(self.help_commands.read)
        player.cursor_moved.connect(self._move_cursor)
        player.changed.connect(self._show_playback)
        self.transport.speed_chosen.connect(player.set_speed)
        self.transport.frame_rate_chosen.connect(player.set_frame_rate)
        self.launch_video.cursor_requested.connect(player.seek)
        self.launch_video.frames_changed.connect(player.set_video_frames)
        self.launch_video.state_changed.connect(self._show_video_state)
        for panel in self.panels.values():
            if hasattr(panel, "cursor_requested"):
                panel.cursor_requested.connect(player.seek)
            if hasattr(panel, "window_requested"):
                panel.window_requested.connect(self._show_window)
            if hasattr(panel, "command_requested"):
                panel.command_requested.connect(lambda command: self.actions[command].trigger())
        self.submenus["recent"].aboutToShow.connect(lambda: self.files.fill_recent(self.submenus["recent"]))
        self.submenus["samples"].aboutToShow.connect(lambda: self.files.fill_samples(self.submenus["samples"]))
        self.submenus["phases"].aboutToShow.connect(lambda: self.view_commands.fill_phases(self.submenus["phases"]))

    def _handler(self, command: str) -> Callable[..., None]:
        """Who does a command: the first that has a method of its name."""
        owners = (self, self.files, self.player, self.edit_commands, self.view_commands, self.help_commands, self.launch_video)
        return next(getattr(owner, f"on_{command}") for owner in owners if hasattr(owner, f"on_{command}"))

    # --- what is drawn --------------------------------------------------------------------------------------------------------

    def _show_snapshot(self, snapshot: Snapshot) -> None:
        for view in self.views:
            view.show_snapshot(snapshot)
        self.player.show_snapshot(snapshot, self.session.review)
        if self._is_fresh:
            self._is_fresh = False
            self.player.begin(_BEFORE_LIFTOFF_S)
        self._show_state()

    def _nothing(self) -> str:
        """Why no flight is drawn."""
        return NOTHING_OPEN if self.session.log is None else STOPPED if self.session.is_stopped else NO_ESTIMATE

    def _show_review(self, review: Review) -> None:
        for panel in self.panels.values():
            panel.show_review(review)
        if (review.video is not None) != self._has_video:  # with a video its view comes and goes; V does the same by hand
            self._has_video = review.video is not None
            self.actions["video_view"].setChecked(self._has_video)
        self.launch_video.show_review(review)
        if self.timeline is not None:
            self.timeline.set_bookmarks({b.log_time_s: b.text for b in review.bookmarks})
            self.timeline.set_moved_events([name.removesuffix("_log_s") for name in review.moved_events])
        if self.traces is not None and review.trace_arrangement != self._arrangement:
            self._arrangement = review.trace_arrangement
            self.traces.set_arrangement(thaw(review.trace_arrangement))
        if self.session.snapshot is not None:
            self.player.show_snapshot(self.session.snapshot, review)
        self._show_state()

    def _move_cursor(self, log_time_s: float) -> None:
        for view in self.views:
            view.move_cursor(log_time_s)

    def _show_playback(self, playback: Any) -> None:
        self.transport.show_playback(playback, self.player.liftoff_log_s)
        _set_checked(self.actions["loop"], playback.is_looping)
        if self.timeline is not None and self.timeline.span_log_s != playback.span_log_s:
            self.timeline.set_span(playback.span_log_s)

    def _show_state(self) -> None:
        """Title, menu states and status line from the document as it is."""
        session = self.session
        has_log = session.log is not None
        for command in actions.COMMANDS:
            if command.needs_log:
                self.actions[command.id].setEnabled(has_log)
        self.panels["estimator"].setEnabled(has_log)  # a number entered for no flight would be lost without a word
        history = session.history
        for name, text in (("undo", history.undo_text), ("redo", history.redo_text)):
            self.actions[name].setEnabled(text is not None)
            self.actions[name].setText(f"&{name.capitalize()}" + (f" {text}" if text else ""))
        _set_checked(self.actions["whatif"], session.review.is_whatif_on)
        self.actions["reset_whatif"].setEnabled(session.review.what_if is not None)
        self.actions["release_events"].setEnabled(bool(session.review.moved_events))
        self.setWindowTitle(f"{self.files.name}[*] – Plumbline" if has_log else "Plumbline")
        self.setWindowModified(has_log and history.is_changed)
        self.status.show_state()
        self._show_video_state()

    def _show_video_state(self) -> None:
        """Which commands of the launch video can be given."""
        rows, review = self.launch_video.rows, self.session.review
        can = {"mark_liftoff": rows.mark, "liftoff_from_sound": rows.listen, "draw_sighting": rows.draw}
        for command, button in can.items():
            self.actions[command].setEnabled(button.isEnabled())
        self.actions["close_video"].setEnabled(review.video is not None)

    # --- what the views ask ---------------------------------------------------------------------------------------------------

    def _wanted_traces(self) -> tuple[str, ...] | None:
        return self.traces.wanted_keys() if self.traces is not None else None

    def _on_arrangement(self, arrangement: dict[str, Any]) -> None:
        """Sizes and scales dragged in a row are one undo step; other panes or traces are a step of their own."""
        before = [tuple(pane["traces"]) for pane in self.session.review.trace_arrangement.get("panes", ())]
        is_same = before == [tuple(pane["traces"]) for pane in arrangement["panes"]]
        edit = partial(dataclasses.replace, trace_arrangement=arrangement)
        self.session.apply(edit, "Traces", "traces" if is_same else "")
        self._arrangement = self.session.review.trace_arrangement

    def _on_event_moved(self, name: str, log_time_s: float) -> None:
        self.session.apply(lambda review: edits.with_event(review, f"{name}_log_s", log_time_s), f"Move {name}")

    def _show_window(self, start_log_s: float, stop_log_s: float) -> None:
        if self.traces is not None:
            self.traces.set_window(start_log_s, stop_log_s)

    def _on_opened(self, result: ReadResult) -> None:
        self.player.stop()
        self.player.open(0.0, result.log.duration_s)
        self._is_fresh = True
        for view in self.views:
            view.forget_flight()
        self._show_state()
        self._show_sample()
        if self._dropped_video is not None:
            path, self._dropped_video = self._dropped_video, None
            self.launch_video.open_video(path)

    def _show_sample(self) -> None:
        """What the first sample's hint points at is steering, which ends with the burn."""
        if self.plumb_circle is not None and self.files.sample == sample_flights.FIRST:
            self.plumb_circle.set_span("powered")

    # --- commands of the window itself ----------------------------------------------------------------------------------------

    def on_quit(self) -> None:
        self.close()

    def on_video_view(self, is_on: bool) -> None:
        self.video_card.setVisible(is_on)

    def on_frame_back(self) -> None:
        self._step_frame(-1)

    def on_frame_on(self) -> None:
        self._step_frame(1)

    def _step_frame(self, n: int) -> None:
        """The video alone while it is not lined up with the log; else the cursor, and the video with it."""
        if not self.launch_video.step(n):
            self.player.step_frame(n)

    def on_film(self) -> None:
        self.files.show_film(self.player, lambda: self.attitude.canvas.viewpoint)

    def on_hint(self) -> None:
        self.files.open_sample(sample_flights.FIRST)

    def on_reset_layout(self) -> None:
        self.preferences.forget_layout()
        self.frame.set_places(self.width(), self.height())

    def showEvent(self, event: QShowEvent) -> None:
        """Panels take their first places when sizes, fonts and style are those of the screen."""
        super().showEvent(event)
        if not self._has_places:
            self._has_places = True
            self.frame.set_places(self.width(), self.height())

    def event(self, event: QEvent) -> bool:
        """Space on a button that was reached with Tab presses it (a click never gives a button the focus); else it plays."""
        if (
            event.type() == QEvent.Type.ShortcutOverride
            and event.key() == Qt.Key.Key_Space
            and isinstance(self.focusWidget(), QAbstractButton)
        ):
            event.accept()
            return True
        return super().event(event)

    # --- opening --------------------------------------------------------------------------------------------------------------

    def go_on(self, paths: Sequence[str], **stated: Any) -> None:
        """After the first paint: the views that need the plotting library, then reading and compiled loops on their workers.

        One after the other, because Python imports one thing at a time however many threads ask: side by side the window stood
        still three times as long and the flight was drawn no sooner.
        """
        self.build_plots()
        self.session.warm_up()
        self.open_first(paths, **stated)

    def open_first(self, paths: Sequence[str], **stated: Any) -> None:
        """What a start opens: what was named (`stated` as for `Session.open`); else what a crash left; else the sample flight."""
        if paths:
            self.files.open_paths(paths, **stated)
        elif not self.files.offer_recovered():
            self.files.open_sample(sample_flights.FIRST)

    def dragEnterEvent(self, event: QDragEnterEvent) -> None:
        if any(url.isLocalFile() for url in event.mimeData().urls()):
            event.acceptProposedAction()

    def dropEvent(self, event: QDropEvent) -> None:
        paths = [url.toLocalFile() for url in event.mimeData().urls() if url.isLocalFile()]
        event.acceptProposedAction()
        videos, others = [path for path in paths if is_video(path)], [path for path in paths if not is_video(path)]
        if others:
            is_going = self.files.open_paths(sorted(others, key=lambda path: Path(path).name))
            self._dropped_video = videos[0] if is_going and videos else None  # a video goes with the flight it is dropped with
        elif videos:
            self.actions["video_view"].setChecked(True)
            self.launch_video.open_video(videos[0])

    # --- the end --------------------------------------------------------------------------------------------------------------

    def closeEvent(self, event: QCloseEvent) -> None:
        if not self.files.may_leave():
            event.ignore()
            return
        self.preferences.keep_layout("geometry", self.saveGeometry())
        self.frame.remember(self.preferences)
        self.player.stop()
        self.hide()  # what is still running ends unseen
        self.session.close()
        event.accept()


def _place() -> QWidget:
    """Where a view will stand."""
    place = QWidget()
    column = QVBoxLayout(place)
    column.setContentsMargins(0, 0, 0, 0)
    return place


def _set_checked(action: Any, is_on: bool) -> None:
    """Show a state of the document without its being taken for the user's wish."""
    if action.isChecked() != is_on:
        action.blockSignals(True)
        action.setChecked(is_on)
        action.blockSignals(False)
