"""What a column might be: a table of names and units as benches write them."""

from __future__ import annotations

import numpy as np
import pytest

from diffbench.inspection.channel_guesses import Guess, guesses, unit_of
from diffbench.readers.protocol import RawColumn


def number(name: str, unit: str | None = None) -> RawColumn:
    """A column of numbers that say nothing."""
    return RawColumn(name, unit, np.array([3.0, -1.0, 2.0]))


def words(name: str, *texts: str) -> RawColumn:
    """A column of words."""
    return RawColumn(name, None, np.array(texts, dtype=object))


@pytest.mark.parametrize(
    ("name", "unit", "channel"),
    [
        ("Time [s]", None, "time"),
        ("t", "ms", "time"),
        ("Zeit", None, "time"),
        ("Torque LH [Nm]", None, "left_torque"),
        ("M_links_Nm", None, "left_torque"),
        ("TorqueRight", "N·m", "right_torque"),
        ("R/H torque (lbf.ft)", None, "right_torque"),
        ("Couple gauche (N.m)", None, "left_torque"),
        ("Md rechts", "Nm", "right_torque"),
        ("Pinion torque (lbf.ft)", None, "input_torque"),
        ("Torque case [Nm]", None, "input_torque"),
        ("Wrench [lbf.ft]", None, "turning_torque"),
        ("n_L [1/min]", None, "left_speed"),
        ("L/H speed, rpm", None, "left_speed"),
        ("Drehzahl rechts [U/min]", None, "right_speed"),
        ("Speed difference [rad/s]", None, "speed_difference"),
        ("Prop speed [rpm]", None, "input_speed"),
        ("Case speed [rpm]", None, "case_speed"),
        ("Sump (°F)", None, "oil_temperature"),
        ("Öltemperatur", "°C", "oil_temperature"),
        ("T plates [degC]", None, "plate_temperature"),
        # German, French, Italian and Spanish, with and without accents, umlauts in both spellings
        ("Oeltemperatur [°C]", None, "oil_temperature"),
        ("OELTEMP [°C]", None, "oil_temperature"),
        ("Ölsumpf [°C]", None, "oil_temperature"),
        ("Bremsmoment links [Nm]", None, "left_torque"),
        ("Abtriebsdrehzahl rechts [1/min]", None, "right_speed"),
        ("Eingangsmoment [Nm]", None, "input_torque"),
        ("Drehzahl Korb [1/min]", None, "case_speed"),
        ("Ritzeldrehzahl [1/min]", None, "input_speed"),
        ("Drehzahl Ritzel [1/min]", None, "input_speed"),
        ("Differenzdrehzahl [1/min]", None, "speed_difference"),
        ("Drehmomentschlüssel [Nm]", None, "turning_torque"),
        ("Température huile (°C)", None, "oil_temperature"),
        ("TEMPERATURE HUILE (degC)", None, "oil_temperature"),
        ("Couple d'entrée (N.m)", None, "input_torque"),
        ("Couple entree [Nm]", None, "input_torque"),
        ("Vitesse droite (tr/min)", None, "right_speed"),
        ("Coppia sinistra [Nm]", None, "left_torque"),
        ("Velocità dx [rpm]", None, "right_speed"),
        ("Velocita sx [rpm]", None, "left_speed"),
        ("Temperatura olio [°C]", None, "oil_temperature"),
        ("Par izquierdo [Nm]", None, "left_torque"),
        ("Velocidad piñón [rpm]", None, "input_speed"),
        ("Velocidad pinon [rpm]", None, "input_speed"),
        ("Aceite [°C]", None, "oil_temperature"),
        ("Kraft links [N]", None, "left_torque"),
    ],
)
def test_name_and_unit_tell_the_channel(name, unit, channel):
    (guess,) = guesses([number(name, unit)])
    assert guess.channel == channel
    assert guess.reasons


@pytest.mark.parametrize(
    ("name", "unit", "others", "said"),
    [
        ("Torque [Nm]", None, "left_torque", "nothing in its name says where"),
        ("Ch 3", "rpm", "left_speed", "nothing in its name says where"),
        ("Temp 2 [°C]", None, "plate_temperature", "nothing says of what"),
        ("left right torque", "Nm", "left_torque", "nothing in its name says where"),
    ],
)
def test_sides_and_places_are_never_guessed(name, unit, others, said):
    (guess,) = guesses([number(name, unit)])
    assert not guess.sure
    assert others in guess.others
    assert said in guess.reasons[-1]


SIDES = ("left_torque", "right_torque", "input_torque")
SPEEDS = ("left_speed", "right_speed", "case_speed", "input_speed")
IS, SAYS, NO_UNIT = "its unit {} is one of {}", "'{}' in its name says {}", "the file says no unit"
SPEAKS, NOWHERE = "its name speaks of {}", "nothing in its name says where"
WEIGHS = 'a load cell that shows what weighs as much, perhaps: a force at an arm, unit = "kgf" or "lbf"'
PULSES = 'pulses of a toothed wheel, perhaps: unit = "rev/s", and gain = one over its teeth'
PINION = ', at the pinion: at = "pinion" with its ratio'


@pytest.mark.parametrize(
    ("name", "found"),
    [
        ("Zeit", Guess("time", "time", True, (SPEAKS.format("time"), NO_UNIT))),
        ("Zeit [xy]", Guess("time", "time", True, (SPEAKS.format("time"), "its unit 'xy' is not known"))),
        (
            "M links [Nm]",
            Guess("left_torque", "torque", True, (IS.format("Nm", "torque"), SAYS.format("links", "left"))),
        ),
        (
            "M L",
            Guess(
                "left_torque", "torque", False, (SPEAKS.format("torque"), NO_UNIT, SAYS.format("l", "left"))
            ),
        ),
        (
            "n_R",
            Guess(
                "right_speed",
                "angular_speed",
                False,
                (SPEAKS.format("speed"), NO_UNIT, SAYS.format("r", "right")),
            ),
        ),
        ("Torque", Guess(None, "torque", False, (SPEAKS.format("torque"), NO_UNIT, NOWHERE), SIDES)),
        ("Ch 3 [rpm]", Guess(None, "angular_speed", False, (IS.format("rpm", "speed"), NOWHERE), SPEEDS)),
        (
            "Torque left [km/h]",
            Guess(
                "left_speed",
                "angular_speed",
                False,
                (IS.format("km/h", "speed"), "that of a wheel on a roller, perhaps", "its name says left"),
            ),
        ),
        (
            "Load cell left [kg]",
            Guess("left_torque", "torque", False, (IS.format("kg", "mass"), WEIGHS, "its name says left")),
        ),
        ("Mass left [kg]", Guess(None, "mass", False, (IS.format("kg", "mass"),))),
        (
            "Left [N]",
            Guess(
                "left_torque",
                "torque",
                False,
                (IS.format("N", "force"), "a force at an arm, perhaps", "its name says left"),
            ),
        ),
        (
            "Pulses left [Hz]",
            Guess(
                "left_speed",
                "angular_speed",
                False,
                (IS.format("Hz", "frequency"), PULSES, "its name says left"),
            ),
        ),
        (
            "Prop speed [rpm]",
            Guess(
                "input_speed",
                "angular_speed",
                True,
                (IS.format("rpm", "speed"), SAYS.format("prop", "pinion")),
            ),
        ),
        (
            "Pinion torque [Nm]",
            Guess(
                "input_torque",
                "torque",
                True,
                (IS.format("Nm", "torque"), SAYS.format("pinion", "input") + PINION),
            ),
        ),
        (
            "Torque input [Nm]",
            Guess("input_torque", "torque", True, (IS.format("Nm", "torque"), "its name says input")),
        ),
        (
            "T [degC]",
            Guess(
                "oil_temperature",
                "temperature",
                False,
                (IS.format("degC", "temperature"), "nothing says of what"),
                ("plate_temperature",),
            ),
        ),
        (
            "Left plate [degF]",
            Guess(
                "plate_temperature",
                "temperature",
                True,
                (IS.format("degF", "temperature"), "its name says plate"),
            ),
        ),
        ("Left [in]", Guess(None, "length", False, (IS.format("in", "length"),))),
        ("Left [Sv]", Guess(None, None, False, ("its unit Sv is none of a channel here",))),
    ],
)
def test_a_guess_is_told_whole(name, found):
    """Channel, dimension, whether it is sure, every reason, and what else it might be."""
    assert guesses([number(name)]) == (found,)


@pytest.mark.parametrize(
    ("names", "channels", "said"),
    [
        (
            ("Torque 1", "Pressure [bar]", "Torque 2"),
            ("left_torque", None, "right_torque"),
            (NO_UNIT, "'1'", "'2'"),
        ),
        (
            ("n_b [rpm]", "n_a [rpm]"),
            ("right_speed", "left_speed"),
            (IS.format("rpm", "speed"), "'b'", "'a'"),
        ),
        (("Torque 1 [Nm]", "Torque 2 raw [Nm]"), (None, None), ()),  # they differ in more than the mark
        (("Torque 1 [Nm]", "Moment 2 [Nm]"), (None, None), ()),
        (("Torque 1 [Nm]", "Torque 3 [Nm]"), (None, None), ()),
        (("Torque 1 [Nm]", "Speed 2 [rpm]"), (None, None), ()),
        (("Torque LH [Nm]", "Torque 1 [Nm]", "Torque 2 [Nm]"), ("left_torque", None, None), ()),
    ],
)
def test_two_names_that_differ_in_one_mark_are_a_pair(names, channels, said):
    found = guesses([number(name) for name in names])
    assert tuple(guess.channel for guess in found) == channels
    for guess, mark in zip((found[0], found[-1]), said[1:], strict=False):
        side = str(guess.channel).partition("_")[0]
        assert guess.reasons[-2:] == (said[0], f"{mark} in its name is taken for {side}")
        assert (guess.sure, guess.others) == (False, ())


N = np.arange(40.0)
LEFT, RIGHT = 30.0 + 5.0 * np.sin(N), 50.0 + 7.0 * np.cos(0.7 * N)
MEAN, APART = 100.0 + 8.0 * np.sin(0.3 * N), 4.0 + 3.0 * np.cos(0.5 * N)
OUTPUTS = [
    RawColumn("Torque LH [Nm]", None, LEFT),
    RawColumn("Torque RH [Nm]", None, RIGHT),
    RawColumn("n_L [1/min]", None, MEAN + 0.5 * APART),
    RawColumn("n_R [1/min]", None, MEAN - 0.5 * APART),
]
SUM, IN_MEAN = "times the sum of both outputs: a check", "times the mean of both outputs: a check"


@pytest.mark.parametrize(
    ("name", "values", "found", "said"),
    [
        ("Ch 5 [Nm]", LEFT + RIGHT, ("input_torque", False, None), f"1 {SUM}, at the case"),
        ("Ch 5 [Nm]", 0.25 * (LEFT + RIGHT), ("input_torque", False, None), f"0.25 {SUM}, at the pinion"),
        ("Ch 5 [Nm]", -LEFT - RIGHT, (None, False, None), "nothing in its name says where"),
        ("Torque case [Nm]", 0.25 * (LEFT + RIGHT), ("input_torque", True, None), "says input"),
        ("Ch 5 [rpm]", MEAN, ("case_speed", False, None), f"1 {IN_MEAN}"),
        ("Ch 5 [rpm]", 3.7 * MEAN, ("input_speed", False, 3.7), f"3.7 {IN_MEAN}"),
        ("Case speed [rpm]", MEAN, ("case_speed", True, None), f"1 {IN_MEAN}"),
        ("Case speed [rpm]", 3.7 * MEAN, ("input_speed", False, 3.7), f"3.7 {IN_MEAN}"),
        ("Prop speed [rpm]", 3.7 * MEAN, ("input_speed", True, 3.7), f"3.7 {IN_MEAN}"),
        ("Prop speed [rpm]", MEAN, ("input_speed", True, None), f"1 {IN_MEAN}"),
        ("Ch 5 [rpm]", APART, ("speed_difference", False, None), "its numbers are left less right: a check"),
        ("Ch 5 [rpm]", -APART, (None, False, None), "nothing in its name says where"),
        ("Ch 5 [rpm]", 0.4 * MEAN, (None, False, None), "nothing in its name says where"),
        ("Ch 5 [Sv]", LEFT, (None, False, None), "its unit Sv is none of a channel here"),
    ],
)
def test_numbers_tell_what_they_are_of_the_outputs(name, values, found, said):
    """Sum, mean and difference of four outputs by hand, times a gear: what it is, whether that is sure, and
    how often the input turns for the case."""
    *outputs, guess = guesses([*OUTPUTS, RawColumn(name, None, values)])
    assert (guess.channel, guess.sure, guess.ratio) == found
    assert said in guess.reasons[-1]
    assert [one.channel for one in outputs] == ["left_torque", "right_torque", "left_speed", "right_speed"]
    assert all(one.sure and not one.others for one in outputs)


def test_numbers_without_a_unit_tell_as_well():
    columns = [("Torque LH", LEFT), ("Torque RH", RIGHT), ("Torque 5", LEFT + RIGHT)]
    guess = guesses([RawColumn(name, None, values) for name, values in columns])[-1]
    assert (guess.channel, guess.sure) == ("input_torque", False)
    assert guess.reasons[-1] == f"its numbers are 1 {SUM}, at the case"


def test_outputs_that_stand_still_tell_nothing():
    held = [RawColumn(f"Torque {side} [Nm]", None, np.full(40, 50.0)) for side in ("LH", "RH")]
    assert guesses([*held, RawColumn("Ch 5 [Nm]", None, LEFT)])[-1].channel is None


@pytest.mark.parametrize(("share", "found"), [(0.0195, "input_torque"), (0.0205, None)])
def test_a_check_misses_no_more_than_a_fiftieth_of_its_own_spread(share, found):
    """As a share of its variance, by what has nothing in common with the sum."""
    x = LEFT + RIGHT - (LEFT + RIGHT).mean()
    rest = np.sin(2.3 * N) - np.sin(2.3 * N).mean()
    rest = rest - x * (rest @ x) / (x @ x)
    rest = rest * np.sqrt(share / (1.0 - share) * (x @ x) / (rest @ rest))
    guess = guesses([*OUTPUTS, RawColumn("Ch 5 [Nm]", None, LEFT + RIGHT + rest)])[-1]
    assert (guess.channel, guess.sure) == (found, False)


@pytest.mark.parametrize(
    ("times", "said"),
    [(0.05, "pinion"), (0.895, "pinion"), (0.905, "case"), (1.095, "case"), (1.105, "pinion")],
)
def test_a_sum_is_read_at_the_case_within_a_tenth(times, said):
    guess = guesses([*OUTPUTS, RawColumn("Ch 5 [Nm]", None, times * (LEFT + RIGHT))])[-1]
    place = {"pinion": "at the pinion, or in another unit", "case": "at the case"}[said]
    why = ("its unit Nm is one of torque", f"its numbers are {times:.3g} {SUM}, {place}")
    assert guess == Guess("input_torque", "torque", False, why)


@pytest.mark.parametrize(
    ("times", "found"),
    [
        (0.5, (None, None)),
        (0.51, ("input_speed", 0.51)),
        (0.979, ("input_speed", 0.979)),
        (0.981, ("case_speed", None)),
        (1.019, ("case_speed", None)),
        (1.021, ("input_speed", 1.021)),
    ],
)
def test_a_mean_is_read_at_the_case_within_a_fiftieth(times, found):
    guess = guesses([*OUTPUTS, RawColumn("Ch 5 [rpm]", None, times * MEAN)])[-1]
    assert (guess.channel, guess.ratio) == found
    assert guess.reasons[0] == "its unit rpm is one of speed"
    assert len(guess.reasons) == 2


@pytest.mark.parametrize(("times", "channel"), [(0.979, None), (0.981, "speed_difference"), (1.021, None)])
def test_a_difference_is_one_within_a_fiftieth(times, channel):
    guess = guesses([*OUTPUTS, RawColumn("Ch 5 [rpm]", None, times * APART)])[-1]
    assert (guess.channel, guess.sure) == (channel, False)
    if channel is not None:  # of the reasons before, the first is kept
        assert guess.reasons == ("its unit rpm is one of speed", "its numbers are left less right: a check")


@pytest.mark.parametrize(("off", "channel"), [(7.9, "input_speed"), (8.0, None)])
def test_half_of_a_mean_is_off_by_less_than_a_fiftieth(off, channel):
    """400 for a mean of 100 rad/s; three fifths of the samples are off, as much to either side."""
    side = np.where(N % 5 < 2, 0.0, np.where(N % 2 == 0, off, -off))
    speeds = [RawColumn(name, None, np.full(40, 100.0)) for name in ("n_L [rad/s]", "n_R [rad/s]")]
    assert guesses([*speeds, RawColumn("Ch 5 [rad/s]", None, 400.0 + side)])[-1].channel == channel


def test_a_ratio_is_not_read_where_shafts_nearly_stand():
    """At 100 rad/s 3.60 to 3.80 times, 21 samples; 3.5 times ten at 21 rad/s, more than a fifth of the usual
    speed; and nine at a fifth that would turn the median of 3.65, counted by hand, to 3.605."""
    mean = np.repeat([100.0, 21.0, 20.0], [21, 10, 9])
    ratio = np.concatenate([3.6 + 0.01 * np.arange(21), np.full(19, 3.5)])
    speeds = [RawColumn(name, None, mean) for name in ("n_L [rad/s]", "n_R [rad/s]")]
    guess = guesses([*speeds, RawColumn("Ch 5 [rad/s]", None, ratio * mean)])[-1]
    assert (guess.channel, guess.ratio) == ("input_speed", 3.65)


@pytest.mark.parametrize(("count", "channel"), [(19, None), (20, "input_torque")])
def test_twenty_samples_tell_a_sum(count, channel):
    columns = [*OUTPUTS, RawColumn("Ch 5 [Nm]", None, LEFT + RIGHT)]
    cut = [RawColumn(c.name, None, np.where(count > N, c.values, np.nan)) for c in columns]
    assert guesses(cut)[-1].channel == channel


def test_a_sum_is_held_against_outputs_in_other_units():
    """kN·m and lbf·ft (1.3558179483314004 N·m by NIST SP 811, B.8); forces at one arm as they are."""
    names = ("Torque LH [Nm]", "Torque RH [kNm]", "Ch 5 [lbf.ft]")
    values = (LEFT, RIGHT / 1000.0, (LEFT + RIGHT) / 1.3558179483314004)
    guess = guesses([RawColumn(n, None, x) for n, x in zip(names, values, strict=True)])[-1]
    assert guess.reasons[-1] == f"its numbers are 1 {SUM}, at the case"
    names = ("Kraft links [N]", "Kraft rechts [N]", "Kraft 3 [N]")
    values = (LEFT, RIGHT, 2.5 * (LEFT + RIGHT))
    guess = guesses([RawColumn(n, None, x) for n, x in zip(names, values, strict=True)])[-1]
    assert guess.reasons == (
        "its unit N is one of force",
        f"its numbers are 2.5 {SUM}, at the pinion, or in another unit",
    )


def test_the_first_input_speed_that_tells_a_ratio_gives_it():
    torque = RawColumn("Torque case [Nm]", None, LEFT)
    speeds = [RawColumn("Prop speed [rpm]", None, N % 7), RawColumn("Ch 9 [rpm]", None, 3.7 * MEAN)]
    guess = guesses([torque, *OUTPUTS[2:], *speeds])[0]
    assert (guess.channel, guess.sure, guess.ratio) == ("input_torque", False, 3.7)


@pytest.mark.parametrize(
    ("values", "channel"),
    [
        ((0.0, 0.05, 0.1), "time"),
        ((0.0, 0.05), None),
        ((0.0, 0.05, 0.05), None),
        ((0.0, np.nan, 0.1), None),
    ],
)
def test_what_rises_from_line_to_line_is_perhaps_a_clock(values, channel):
    (guess,) = guesses([RawColumn("column 1", None, np.array(values))])
    assert (guess.channel, guess.sure) == (channel, False)


@pytest.mark.parametrize(("line", "channel"), [(5, "time"), (6, None)])
def test_a_clock_time_is_looked_for_in_the_first_five_lines(line, channel):
    texts = ["-"] * (line - 1) + ["10:00:01"]
    (guess,) = guesses([words("Stamp", *texts)])
    assert (guess.channel, guess.sure) == (channel, channel is not None)


@pytest.mark.parametrize(("line", "channel"), [(1000, "direction"), (1001, None)])
def test_words_are_looked_for_in_the_first_thousand_lines(line, channel):
    (guess,) = guesses([words("Turned", *["-"] * (line - 1), "forward")])
    assert guess.channel == channel


def test_readings_without_a_unit_are_of_a_wrench_as_well():
    found = guesses([words("Art", "breakaway"), number("Torque")])[-1]
    said = (
        "its name speaks of torque",
        "the file says no unit",
        "the lines are hand readings, by their words",
    )
    assert found == Guess("turning_torque", "torque", True, said)


@pytest.mark.parametrize(
    ("name", "dimension"),
    [
        ("Load cell left [kg]", "torque"),
        ("Kraft links [N]", "torque"),
        ("Left speed [Hz]", "angular_speed"),
        ("Left speed [km/h]", "angular_speed"),
        ("Xyz", None),
        ("Xyz [Sv]", None),
    ],
)
def test_what_may_be_another_quantity_is_never_sure(name, dimension):
    """A force at an arm of nobody knows what length, pulses of so many teeth, a roller of some radius."""
    (guess,) = guesses([number(name, None)])
    assert (guess.dimension, guess.sure) == (dimension, False)


def test_a_torque_is_where_the_input_is_read():
    """Beside an input that turns 3.7 times as fast as the case: at the pinion perhaps; told by the outputs'
    torques, where there are any."""
    torque, speed = RawColumn("Torque case [Nm]", None, LEFT), RawColumn("Prop speed [rpm]", None, 3.7 * MEAN)
    alone = guesses([torque, *OUTPUTS[2:], speed])[0]
    assert (alone.channel, alone.sure, alone.ratio) == ("input_torque", False, 3.7)
    assert "3.7 times the case's" in alone.reasons[-1]
    beside = guesses([torque, *OUTPUTS, speed])[0]
    assert (beside.sure, beside.ratio) == (True, None)


@pytest.mark.parametrize(
    ("name", "dimension", "unit"),
    [("T [Nm]", "torque", "Nm"), ("t [degC]", "temperature", "degC"), ("n [Nm]", "torque", "Nm")],
)
def test_a_letter_says_nothing_against_a_unit(name, dimension, unit):
    """T stands for torque and temperature as for time; beside its unit nothing is to be told of it."""
    (guess,) = guesses([number(name)])
    assert guess.dimension == dimension
    assert guess.reasons[0] == IS.format(unit, dimension)
    assert not any("speaks of" in reason for reason in guess.reasons)


def test_a_name_and_a_unit_that_differ_are_told():
    (guess,) = guesses([number("Torque left [rpm]")])
    assert not guess.sure
    assert "but its name speaks of torque" in guess.reasons


def test_what_no_channel_has_is_left_alone():
    pressure, nothing = guesses([number("Pressure [bar]"), number("Ch 7")])
    assert (pressure.channel, nothing.channel) == (None, None)
    assert (pressure.sure, nothing.sure) == (False, False)
    assert pressure.reasons == ("its unit bar is one of pressure",)
    assert nothing.reasons == ("neither name nor unit says what it is",)


def test_what_rises_is_a_clock_beside_a_sure_torque_too():
    found = guesses([RawColumn("column 1", None, np.arange(4.0)), number("Torque LH [Nm]")])
    assert [(guess.channel, guess.sure) for guess in found] == [("time", False), ("left_torque", True)]


def test_two_columns_that_might_be_one_channel_are_both_in_doubt():
    found = guesses([number("Torque LH [Nm]"), number("Torque left filtered [Nm]")])
    assert [guess.channel for guess in found] == ["left_torque", "left_torque"]
    assert not any(guess.sure for guess in found)
    assert "but so might 'Torque LH [Nm]' be" in found[1].reasons


def test_hand_readings_are_known_by_their_words():
    found = guesses(
        [
            words("Art", "breakaway", "running"),
            words("Turned", "forward", "backward"),
            words("Setup", "vice", "wheel held"),
            words("Who", "night shift", "day shift"),
            number("Reading [Nm]"),
        ]
    )
    channels = [guess.channel for guess in found]
    assert channels == ["reading", "direction", "arrangement", None, "turning_torque"]
    assert [guess.sure for guess in found[:4]] == [True, True, True, False]
    said = ("its unit Nm is one of torque", "the lines are hand readings, by their words")
    assert found[4].reasons == said
    named, clock = guesses([words("Direction", "a", "b"), words("Stamp", "10:00:01", "10:00:02")])
    assert (named.channel, named.sure, clock.channel, clock.sure) == ("direction", False, "time", True)


def test_units_are_found_wherever_a_file_says_them():
    assert unit_of(number("Torque, lbf.ft")) == "lbf.ft"
    assert unit_of(number("speed_rad_s")) == "rad/s"
    assert unit_of(number("M", "kNm")) == "kNm"
    assert unit_of(number("Torque in")) is None
