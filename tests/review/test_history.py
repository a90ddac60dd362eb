"""Undo and redo of whole reviews."""

import dataclasses
import random

from replay.review import edits
from replay.review.history import History
from replay.review.review import Bookmark, Review


def _bias(history: History, value: float) -> Review:
    return edits.with_calibration_axis(history.review, "gyro_bias_imu_radps", 0, value)


def test_a_drag_is_one_undo_step():
    """A hundred and twenty edits of one name are taken back at once, and the value before the drag returns."""
    history = History()
    for i in range(1, 121):
        history.apply(_bias(history, 1e-4 * i), "Gyro bias x", merge="gyro_bias_x")
    history.end_merge()
    assert history.undo_text == "Gyro bias x"
    assert history.undo()
    assert history.review == Review()
    assert history.undo() is False
    assert history.redo()
    assert history.review.corrected.gyro_bias_imu_radps[0] == 1e-4 * 120


def test_two_drags_of_one_slider_are_two_steps():
    """`end_merge` parts them though their name is the same."""
    history = History()
    history.apply(_bias(history, 0.1), "Gyro bias x", merge="gyro_bias_x")
    history.end_merge()
    history.apply(_bias(history, 0.2), "Gyro bias x", merge="gyro_bias_x")
    history.undo()
    assert history.review.corrected.gyro_bias_imu_radps[0] == 0.1


def test_another_name_ends_a_merge():
    """An edit of another slider in between is a step of its own."""
    history = History()
    history.apply(_bias(history, 0.1), "a", merge="a")
    history.apply(dataclasses.replace(history.review, method="integrate"), "b", merge="b")
    history.apply(_bias(history, 0.2), "a", merge="a")
    for _ in range(3):
        assert history.undo()
    assert history.review == Review()
    assert not history.undo()


def test_a_drag_back_to_where_it_began_leaves_nothing_to_undo():
    """The step vanishes, and the next drag is a new one."""
    history = History()
    history.apply(_bias(history, 0.1), "a", merge="a")
    history.apply(_bias(history, 0.0), "a", merge="a")
    assert history.undo_text is None
    assert not history.is_changed
    history.apply(_bias(history, 0.3), "a", merge="a")
    assert history.undo()
    assert history.review == Review()


def test_an_edit_that_changes_nothing_costs_nothing():
    """No revision, no listener called, no undo step."""
    history = History()
    calls = []
    history.subscribe(calls.append)
    assert history.apply(dataclasses.replace(history.review, method="smoother"), "Method") is False
    assert (history.revision, calls, history.undo_text) == (0, [], None)


def test_each_change_costs_one_revision_and_one_call():
    """Edits, undo and redo alike; and an unsubscribed listener hears no more."""
    history = History()
    revisions = []
    stop = history.subscribe(lambda h: revisions.append(h.revision))
    history.apply(_bias(history, 0.1), "a")
    history.undo()
    history.redo()
    stop()
    history.undo()
    assert revisions == [1, 2, 3]
    assert history.revision == 4


def test_the_unsaved_mark_is_cleared_by_undoing_to_what_was_saved():
    """It compares with the saved value, so undo and redo across a save are both right."""
    history = History()
    history.apply(_bias(history, 0.1), "a")
    assert history.is_changed
    history.mark_saved(history.review)
    assert not history.is_changed
    history.apply(_bias(history, 0.2), "b")
    assert history.is_changed
    history.undo()
    assert not history.is_changed
    history.undo()
    assert history.is_changed
    history.redo()
    assert not history.is_changed


def test_redo_is_lost_with_a_new_edit():
    """What was taken back and then edited over is gone."""
    history = History()
    history.apply(_bias(history, 0.1), "a")
    history.undo()
    history.apply(_bias(history, 0.2), "b")
    assert history.redo_text is None
    assert history.redo() is False


def test_a_recovered_review_counts_as_changed():
    """Nothing has been saved under its name yet."""
    history = History()
    history.open(edits.with_bookmark(Review(), Bookmark(1.0)), is_saved=False)
    assert history.is_changed
    assert history.undo_text is None


def test_any_run_of_edits_undoes_to_the_start_and_redoes_to_the_end():
    """Random edits, merges, saves: all the way back is the first review, all the way on is the last (seed printed)."""
    seed = 20261125
    print("seed", seed)
    chance = random.Random(seed)
    history = History()
    for _ in range(300):
        name = chance.choice("abc")
        history.apply(_bias(history, chance.choice([0.0, 0.1, 0.2, 0.3])), name, merge=chance.choice([None, name]))
        if chance.random() < 0.2:
            history.end_merge()
    last = history.review
    while history.undo():
        pass
    assert history.review == Review()
    while history.redo():
        pass
    assert history.review == last
