"""What a column might be: a table of names and units as benches write them."""

from __future__ import annotations

import numpy as np
import pytest

from diffbench.inspection.channel_guesses import guesses, unit_of
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


def test_two_columns_that_might_be_one_channel_are_both_in_doubt():
    found = guesses([number("Torque LH [Nm]"), number("Torque left filtered [Nm]")])
    assert [guess.channel for guess in found] == ["left_torque", "left_torque"]
    assert not any(guess.sure for guess in found)
    assert "but so might 'Torque LH [Nm]' be" in found[1].reasons


def test_a_rising_column_without_name_is_perhaps_a_clock():
    (guess,) = guesses([RawColumn("column 1", None, np.array([0.0, 0.1, 0.2, 0.3]))])
    assert (guess.channel, guess.sure) == ("time", False)


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
