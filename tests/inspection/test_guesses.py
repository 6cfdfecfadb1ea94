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


def test_a_name_and_a_unit_that_differ_are_told():
    (guess,) = guesses([number("Torque left [rpm]")])
    assert not guess.sure
    assert "but its name speaks of torque" in guess.reasons


def test_what_no_channel_has_is_left_alone():
    pressure, nothing = guesses([number("Pressure [bar]"), number("Ch 7")])
    assert (pressure.channel, nothing.channel) == (None, None)
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


def test_units_are_found_wherever_a_file_says_them():
    assert unit_of(number("Torque, lbf.ft")) == "lbf.ft"
    assert unit_of(number("speed_rad_s")) == "rad/s"
    assert unit_of(number("M", "kNm")) == "kNm"
    assert unit_of(number("Torque in")) is None
