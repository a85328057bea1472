"""The guide in a small world: whole sessions, limits, faults, other sources of the angle."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from vaclog.guidance import setting, sweeping
from vaclog.guidance.guide import Guide
from vaclog.guidance.instructions import Because, Instruction, Step, Tap, Urgency
from vaclog.guidance.scene import Options
from vaclog.records import OperatorInput

LEADING = (Step.BEGIN, Step.KEEP_GOING, Step.PASSED_TOP, Step.COME_BACK, Step.ONE_MORE)


def steps(said: list[Instruction]) -> list[Step]:
    """Their names, without the waits."""
    return [each.step for each in said if each.step is not Step.LISTEN]


def furthest_deg(said: list[Instruction]) -> float:
    """The most advance that the hand was led to."""
    return max(each.target_deg or 0.0 for each in said if each.step in LEADING)


def static_card(world, static_deg: float = 14.0):
    """A card whose static figure decides the setting at once."""
    card = world.__init__.__kwdefaults__["card"]
    return replace(card, static_deg=static_deg, tdc_verified=True)


def to_setting(world, **given):
    """A world that was sent to the setting right after the baseline."""
    made = world(card=static_card(world), **given)
    made.run(Step.BEGIN)
    made.tap(Tap.ENOUGH)
    return made


class TestWholeSession:
    """From the first cycle to the lock."""

    def test_the_order_of_things(self, whole) -> None:
        """Scribe, warm up, up, back, enough, to the setting, hold, lock, locked."""
        named = steps(whole.said)
        order = [
            Step.SCRIBE,
            Step.WARM_UP,
            Step.BEGIN,
            Step.KEEP_GOING,
            Step.COME_BACK,
            Step.ENOUGH,
            Step.TURN,
            Step.CLOSER,
            Step.HOLD,
            Step.LOCK,
            Step.LOCKED,
        ]
        places = [named.index(each) for each in order]
        assert places == sorted(places)

    def test_it_finds_the_top_and_ends_by_itself(self, whole) -> None:
        """Enough only when the interval is as asked and holds the truth."""
        enough = next(each for each in whole.said if each.step is Step.ENOUGH)
        assert enough.because is Because.SURE
        assert enough.interval_deg is not None and enough.interval_deg <= 1.0
        assert enough.top_deg == pytest.approx(whole.peak_deg, abs=1.5)

    def test_the_body_ends_at_the_set_point(self, whole) -> None:
        """Within the tolerance of the hand."""
        known = whole.guide.scene.known
        assert known.study.advice.set_deg == pytest.approx(whole.hand_deg, abs=0.8)
        assert whole.said[-1].step is Step.LOCKED

    def test_the_last_bit_comes_from_the_retard_side(self, whole) -> None:
        """Whatever came before, the turn before "there" advances."""
        hold = next(k for k, each in enumerate(whole.said) if each.step is Step.HOLD)
        assert whole.said[hold - 1].step is Step.CLOSER
        assert whole.said[hold - 1].way == 1

    def test_nudges_are_of_two_to_three_degrees_and_spaced(self, whole) -> None:
        """Nudge and wait: 2-3 degrees, at least six seconds between."""
        nudges = [each for each in whole.said if each.step in LEADING]
        assert all(2.0 <= each.to_go_deg <= 3.0 for each in nudges)
        gaps = np.diff([each.at_us for each in nudges]) / 1e6
        assert gaps.min() >= 6.0

    def test_lengths_and_ways_belong_together(self, whole) -> None:
        """One degree of crank is 0.279 mm on a rim of 32 mm; clockwise rotors advance against."""
        for each in whole.said:
            if each.to_go_deg is not None:
                assert each.to_go_mm == pytest.approx(each.to_go_deg * 0.2793, rel=1e-3)
                assert each.turn_way == ("counterclockwise" if each.way > 0 else "clockwise")

    def test_numbers_count_up(self, whole) -> None:
        """Each instruction has its own number."""
        assert [each.number for each in whole.said] == list(range(1, len(whole.said) + 1))

    def test_the_way_home_is_told(self, whole) -> None:
        """At the end: how far back to the scribed line."""
        last = whole.said[-1]
        assert last.way == -1
        assert last.to_go_deg == pytest.approx(whole.hand_deg - 10.0, abs=0.6)

    def test_the_same_tables_give_the_same_instructions(self, world, whole) -> None:
        """However the cycles are cut, and whoever asks for a view in between."""
        again = Guide(static_free(whole), whole.guide.scene.rig)
        table, background = whole.cycles(), whole.background()
        taps = iter([(at, text) for at, text in whole.tapped])
        due = next(taps, None)
        said: list[Instruction] = []
        rng = np.random.default_rng(3)
        n = 0
        while n < len(table):
            n = min(n + int(rng.integers(1, 40)), len(table))
            if due is not None and n >= due[0]:
                n = due[0]
            said += again.on_cycles(whole.first(table, n), background)
            again.view()
            while due is not None and due[0] == n:
                said += again.on_input(OperatorInput(at_us=0, kind="tap", text=due[1]))
                due = next(taps, None)
        assert said == whole.said


def static_free(whole):
    """The card of a world."""
    return whole.guide.scene.engine


class TestLimits:
    """Nobody is led past one."""

    def test_misfire_stops_and_is_never_led_to_again(self, world) -> None:
        """A clear onset at 21 degrees: stop, back, and the setting stays below."""
        made = world(misfires_from_deg=21.0)
        made.run(Step.ENOUGH, seconds=300)
        stop = next(each for each in made.said if each.step is Step.STOP)
        assert stop.because is Because.LIMIT_MISFIRE and stop.urgency is Urgency.NOW
        assert 20.5 < stop.target_deg < 25.5
        after = made.said[made.said.index(stop) + 1 :]
        assert furthest_deg(after) < stop.target_deg
        assert made.guide.scene.known.study.advice.limit != "misfire" or (
            made.guide.scene.known.study.advice.set_deg < 21.0
        )

    def test_the_way_back_tells_where_it_is_smooth(self, world) -> None:
        """Stopped past the onset, it then ends at the onset and not a nudge below the stop."""
        made = world(misfires_from_deg=21.0, start_deg=8.0)
        made.run(Step.STOP, seconds=200)
        stop_deg = made.said[-1].target_deg
        made.run(Step.ENOUGH, seconds=300)
        _, _, high, why = made.guide.scene.reach()
        assert why is Because.LIMIT_MISFIRE
        assert high == pytest.approx(21.0, abs=1.0)
        assert stop_deg > 22.0

    def test_where_it_may_stumble_it_is_heard_longer_and_the_next_nudge_is_half(
        self, world, monkeypatch
    ) -> None:
        """Doubts from 15 degrees on that are never settled: fifteen seconds and 1.25 degrees."""

        def doubt(scene, *_) -> bool:
            return scene.watch.level_deg > 15.0

        monkeypatch.setattr(sweeping, "suspicious", doubt)
        made = world()
        made.run(Step.COME_BACK, seconds=400)
        nudges = [each for each in made.said if each.step in LEADING]
        gaps_s = np.diff([each.at_us for each in nudges]) / 1e6
        held_deg = np.array([each.here_deg for each in nudges[1:]])
        sizes = np.array([each.to_go_deg for each in nudges[1:]])
        assert (gaps_s[held_deg < 14.5] < 12.0).all() and (gaps_s[held_deg > 15.5] > 15.0).all()
        assert sizes[held_deg < 14.5] == pytest.approx(2.5)
        assert sizes[held_deg > 15.5] == pytest.approx(1.25)
        assert (held_deg > 15.5).sum() >= 3 and (held_deg < 14.5).sum() >= 1

    def test_misfires_that_drown_still_stop_the_hand(self, world) -> None:
        """Scatter that hides single ones: running gets rougher, and that is enough."""
        made = world(misfires_from_deg=21.0, misfire_share=0.5, scatter=0.09)
        made.run(Step.STOP, seconds=150)
        stop = next(each for each in made.said if each.step is Step.STOP)
        assert stop.because is Because.LIMIT_MISFIRE
        assert stop.target_deg < 27.0

    def test_a_rough_engine_is_not_stopped_for_its_roughness(self, world) -> None:
        """The same scatter from the first cycle on is how this engine runs."""
        made = world(scatter=0.09)
        made.run(seconds=100)
        assert not any(each.because is Because.LIMIT_MISFIRE for each in made.said)

    @pytest.mark.parametrize("seed", range(3))
    def test_beats_lost_at_every_advance_are_not_where_misfire_begins(self, world, seed) -> None:
        """One cycle in seventy from the first on; some holds have three of them by chance."""
        made = world(misfires_from_deg=-90.0, misfire_share=0.014, seed=seed)
        made.run(seconds=150)
        assert not any(each.because is Because.LIMIT_MISFIRE for each in made.said)
        assert made.hand_deg > 20.0 or any(each.step is Step.COME_BACK for each in made.said)

    def test_the_makers_total_ends_the_sweep(self, world) -> None:
        """Less what the angle may be off; the last nudge is cut short, not the limit passed."""
        card = replace(static_card(world), static_deg=None, max_total_deg=20.0)
        made = world(card=card)
        made.run(Step.ENOUGH, seconds=300)
        u_deg = made.guide.scene.known.study.judged.u_deg
        assert furthest_deg(made.said) <= 20.0 - 2 * u_deg + 0.01
        assert any(each.because is Because.LIMIT_TOTAL for each in made.said)

    def test_the_end_of_the_slot(self, world) -> None:
        """A body that does not answer four times has come to its end: back."""
        made = world(slot_deg=(-5.0, 18.0))
        made.run(Step.COME_BACK, seconds=200)
        stop = next(each for each in made.said if each.step is Step.STOP)
        assert stop.because is Because.LIMIT_SLOT
        assert stop.target_deg == pytest.approx(18.0, abs=0.6)

    def test_the_tap_end_is_believed_at_once(self, world) -> None:
        """Nobody has to push four times."""
        made = world(slot_deg=(-5.0, 12.0))
        made.run(Step.KEEP_GOING, seconds=60)
        made.tap(Tap.END)
        assert made.said[-1].step is Step.STOP
        assert made.said[-1].because is Because.LIMIT_SLOT

    def test_a_hand_that_runs_past_is_stopped(self, world) -> None:
        """Ten degrees past the limit: stop, now."""
        card = replace(static_card(world), static_deg=None, max_total_deg=20.0)
        made = world(card=card)
        made.run(Step.KEEP_GOING, seconds=60)
        made.todo.clear()
        made.turn(15.0)
        said = made.run(Step.STOP, seconds=10)
        assert said[-1].step is Step.STOP and said[-1].urgency is Urgency.NOW

    def test_slower(self, world) -> None:
        """A fast turn is told so while it lasts."""
        made = world()
        made.run(Step.KEEP_GOING, seconds=60)
        made.todo.clear()
        made.turn(9.0)
        assert Step.SLOWER in steps(made.run(Step.SLOWER, seconds=5))


class TestPatience:
    """Before the first nudge, and when words are missed."""

    def test_an_unsteady_idle_is_waited_for(self, world) -> None:
        """A warm-up of 15 s: begin comes later than with a warm engine."""
        warm, cold = world(), world(warm=0.15)
        for each in (warm, cold):
            each.run(Step.BEGIN, seconds=200)
        assert cold.t_us > warm.t_us + 15_000_000

    def test_ready_overrules(self, world) -> None:
        """The person may know better."""
        made = world(warm=0.15)
        made.run(Step.WARM_UP, seconds=30)
        made.tap(Tap.READY)
        assert made.said[-1].step is Step.BEGIN

    def test_a_hand_that_begins_by_itself_is_followed(self, world) -> None:
        """Nobody scribed, nobody tapped, but the body moved."""
        made = world(deaf=frozenset(range(1, 50)))
        made.run(seconds=6.0)
        made.turn(3.0)
        assert Step.BEGIN in steps(made.run(Step.BEGIN, seconds=10))
        assert made.guide.scene.home_deg == pytest.approx(10.0, abs=0.4)

    def test_unheard_words_are_said_again(self, world) -> None:
        """The same nudge, because nothing moved."""
        made = world()
        made.run(Step.KEEP_GOING, seconds=60)
        made.deaf = frozenset([made.said[-1].number])
        made.todo.clear()
        said = made.run(Step.KEEP_GOING, seconds=10)
        assert said[-1].because is Because.NO_MOVE
        assert said[-1].way == 1


class TestLock:
    """The clamp."""

    def test_a_slip_is_seen_and_redone(self, world) -> None:
        """Two degrees: moved by about two, back, locked."""
        made = to_setting(world, lock_slips_deg=(2.0,))
        made.run(Step.LOCKED, seconds=200)
        moved = next(each for each in made.said if each.step is Step.MOVED)
        assert moved.moved_deg == pytest.approx(2.0, abs=0.4)
        assert moved.way == -1
        assert made.hand_deg == pytest.approx(made.said[-1].target_deg, abs=0.8)

    def test_an_overshooting_hand_is_learnt(self, world) -> None:
        """A hand that turns half as far again as it is told still arrives."""
        made = to_setting(world, overshoot=1.5, start_deg=6.0)
        made.run(Step.LOCKED, seconds=200)
        assert made.said[-1].step is Step.LOCKED
        assert made.hand_deg == pytest.approx(made.said[-1].target_deg, abs=0.8)

    @pytest.mark.parametrize("ahead_s", [setting.AHEAD_S, 0.0])
    def test_a_slow_hand_is_told_to_hold_before_it_is_there(
        self, world, monkeypatch, ahead_s
    ) -> None:
        """One that turns on at 0.7 degrees a second hears it a second late, and stops there."""
        monkeypatch.setattr(setting, "AHEAD_S", ahead_s)
        made = to_setting(world, overshoot=2.0, step_deg=0.1, start_deg=11.0)
        made.run(Step.HOLD, seconds=200)
        hold = made.said[-1]
        made.run(seconds=3.0)
        past_deg = made.hand_deg - hold.target_deg
        assert abs(past_deg) < 0.4 if ahead_s else past_deg > 0.5

    def test_off_by_more_than_half_a_degree_is_redone_whenever_it_moved(self, world) -> None:
        """It did not move while the clamp was tightened, but it does not stand where it should."""
        made = to_setting(world, start_deg=6.0)
        made.run(Step.LOCK, seconds=100)
        made.todo.clear()
        made.guide._stage.target_deg = made.hand_deg + 0.7
        made.tap(Tap.LOCKED)
        moved = made.run(Step.MOVED, seconds=60)[-1]
        assert moved.because is Because.CREPT
        assert moved.moved_deg == pytest.approx(-0.7, abs=0.15) and moved.way == 1
        made.run(Step.LOCKED, seconds=100)
        assert made.hand_deg == pytest.approx(made.said[-1].target_deg, abs=0.5)

    def test_what_crept_while_nobody_locked_is_set_again(self, world) -> None:
        """Twenty seconds after the word the body stands a degree lower."""
        made = to_setting(world, start_deg=6.0)
        made.run(Step.LOCK, seconds=100)
        made.todo.clear()
        made.turn(-1.0)
        assert steps(made.run(Step.CLOSER, seconds=30)) == [Step.CLOSER]

    def test_locked_without_being_asked(self, world) -> None:
        """Whoever locks at "there" is checked all the same."""
        made = to_setting(world, start_deg=6.0)
        made.run(Step.HOLD, seconds=100)
        made.run(seconds=3.0)
        made.tap(Tap.LOCKED)
        said = made.run(Step.LOCKED, seconds=40)
        assert Step.LOCKED in steps(said) and Step.LOCK not in steps(said)

    def test_locked_without_a_before_names_no_number(self, world) -> None:
        """Nothing stood still before: whether it moved cannot be told, and no figure is made up."""
        made = to_setting(world, start_deg=6.0)
        made.run(Step.LOCK, seconds=100)
        made.todo.clear()
        made.tap(Tap.LOCKED)
        made.guide._stage._before = np.zeros(0)
        last = made.run(Step.UNTOLD, seconds=60)[-1]
        assert last.step is Step.UNTOLD and last.moved_deg is None


class TestTaps:
    """What a person may say at any time."""

    def test_home(self, world) -> None:
        """Back to the scribed line, from wherever."""
        made = world()
        made.run(Step.KEEP_GOING, seconds=60)
        made.run(seconds=5.0)
        made.tap(Tap.HOME)
        made.run(Step.AT_HOME, seconds=60)
        assert made.guide.stage == "done"
        assert made.hand_deg == pytest.approx(10.0, abs=0.8)

    def test_stop_is_quiet_until_go_on(self, world) -> None:
        """Not a word; then the last one again."""
        made = world()
        made.run(Step.BEGIN, seconds=60)
        made.tap(Tap.STOP)
        assert made.run(seconds=15.0) == []
        assert made.guide.stage == "stopped"
        before = made.said[-1]
        made.tap(Tap.GO_ON)
        assert made.said[-1].step is before.step and made.said[-1].number == before.number + 1

    def test_unknown_words_are_passed_over(self, world) -> None:
        """Free text belongs to the capture."""
        made = world()
        made.run(Step.SCRIBE, seconds=10)
        operator = OperatorInput(at_us=0, kind="tap", text="windy today")
        assert made.guide.on_input(operator) == []

    def test_a_tap_before_any_cycle_is_harmless(self, world) -> None:
        """Nothing is known yet."""
        made = world()
        assert made.guide.on_input(OperatorInput(at_us=0, kind="marker")) == []
        assert made.guide.on_lost() == [] and made.guide.on_tick(10_000_000) == []


class TestLostData:
    """Unplugged in mid-sweep."""

    def test_pause_and_resume(self, world) -> None:
        """Said once; afterwards the instruction of before again, with the data kept."""
        made = world()
        made.run(Step.KEEP_GOING, seconds=60)
        before, cycles = made.said[-1], made.n
        paused = made.guide.on_tick(made.t_us + 4_000_000)
        assert [each.step for each in paused] == [Step.PAUSED]
        assert made.guide.on_tick(made.t_us + 8_000_000) == []
        assert made.guide.stage == "paused"
        made.t_us += 30_000_000
        made.todo.clear()
        said = made.run(seconds=1.0)
        assert said[0].step is before.step and said[0].target_deg == before.target_deg
        assert made.guide.scene.home_deg == pytest.approx(10.0, abs=0.4)
        assert len(made.guide.scene.cycles) > cycles

    def test_a_lost_port_pauses_at_once(self, world) -> None:
        """No need to wait for silence."""
        made = world()
        made.run(Step.SCRIBE, seconds=10)
        assert [each.step for each in made.guide.on_lost()] == [Step.PAUSED]
        assert made.guide.on_lost() == []


class TestOtherSources:
    """Without a sensor for the angle."""

    def test_readings_lead_like_a_sensor(self, world) -> None:
        """The strobe is asked for after each nudge, and the readings make a hill."""
        made = world(angle=False, options=Options(strobe=True), scatter=0.01)
        made.run(Step.COME_BACK, seconds=300)
        asked = [each for each in made.said if each.step is Step.READ_STROBE]
        assert len(asked) >= 6
        known = made.guide.scene.known
        assert known.study.source == "holds"
        assert made.guide.scene.home_deg == pytest.approx(10.0)
        assert known.fit.angle_deg == pytest.approx(24.0, abs=5.0)

    def test_vacuum_alone_gives_no_set_point(self, world) -> None:
        """It finds the top in nudges, says what is left, and leads home."""
        made = world(angle=False, scatter=0.004)
        made.run(Step.LOCKED, seconds=500)
        named = steps(made.said)
        assert Step.PASSED_TOP in named and Step.TURN not in named
        home = next(each for each in made.said if each.step is Step.HOME)
        assert home.because is Because.NO_NUMBER
        # The top lies 14 degrees ahead of the baseline: 5 or 6 nudges of 2.5 degrees.
        assert made.guide._stage.top_nudges in (5, 6)
        # 3e-4 of 14 degrees squared is 5.9 % of torque, 1.9 of that in speed, 0.8 in pressure.
        assert home.left_kpa == pytest.approx(40.0 * 0.0588 * 0.25 / 0.13 * 0.8, rel=0.2)
        assert made.hand_deg == pytest.approx(10.0, abs=0.6)
