"""One bad document per rule: the fault names the key, the line and the mend, and all faults come at once."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from edited import edited

from diffbench.documents import load_build, load_car, load_rig, load_run_sheet
from diffbench.documents.log import load_log
from diffbench.errors import DocumentError, Fault

Writer = Callable[[str | bytes], Path]
LOADERS = {"rig": load_rig, "build": load_build, "run": load_run_sheet, "car": load_car, "log": load_log}
#: What each rule below says, whole: a line for each, in their order.
TOLD = (Path(__file__).parent / "faults.txt").read_text(encoding="utf-8").splitlines()


def faults_of(kind: str, path: Path) -> tuple[Fault, ...]:
    with pytest.raises(DocumentError) as caught:
        LOADERS[kind](path)
    assert all(fault.place.file == str(path) for fault in caught.value.faults)
    return caught.value.faults


BODY = "mass = 1150\nheight = 0.42\nwheelbase = 2.45\nweight_share = 0.54\nroll_share = 0.42"
WORDS = '[channel.direction]\ncolumn = "d"\nvalues = '
RUNS = """[[run]]
file = "tare.csv"
kind = "tare"
[[run]]
file = "bias-sweep.csv"
kind = "bias-sweep"
"""
# By kind of paper and table: passage of the right document ¦ what stands there instead ¦ key ¦ words of the
# fault ¦ words of the mend.
RULES = {
    "rig": r"""
name = "Cell"\n ¦  ¦ name ¦ 'name' is missing ¦ name = "
name = "Cell" ¦ name = 3 ¦ name ¦ a text is wanted ¦ in quotes
name = "Cell" ¦ name = "" ¦ name ¦ the text is empty (of the bench) ¦ write for example name = "Our cell"
name = "Cell" ¦ nane = "Cell" ¦ nane ¦ no known key ¦ 'name'
"both-outputs" ¦ "both-output" ¦ arrangement ¦ 'both-output' is no known value ¦ 'both-outputs'
[channel.left_speed]\ncolumn = "nL [1/min]"\n ¦  ¦ channel ¦ speed difference ¦ speed_difference
[repeatability] ¦ WORDS{ ahead = "" }\n[repeatability] ¦ channel.direction.values.ahead ¦ is empty ¦ leave
[repeatability] ¦ WORDS{ ahead = "on" }\n[repeatability] ¦ channel.direction.values ¦ is no word ¦ 'forward'
column = "Oil" ¦ column = "Oil"\nalso = [""] ¦ channel.oil_temperature.also[1] ¦ the text is empty ¦ leave
[repeatability] ¦ [repeatabilty] ¦ repeatabilty ¦ no known key ¦ 'repeatability'
preload_torque = 0.015 ¦ preload_torque = [0.015] ¦ repeatability.preload_torque
    ¦ is wanted, here is a list ¦ write for example 0.5
[file]
delimiter = ";" ¦ delimiter = "||" ¦ delimiter ¦ can't part columns ¦ 'tab'
delimiter = ";" ¦ delimiter = "7" ¦ delimiter ¦ can't part columns ¦ 'tab'
delimiter = ";" ¦ delimiter = "+" ¦ delimiter ¦ can't part columns ¦ 'tab'
delimiter = ";" ¦ delimiter = ";"\nthousands = "__" ¦ thousands ¦ no thousands mark ¦ blank
delimiter = ";" ¦ delimiter = " "\nthousands = " " ¦ thousands ¦ the delimiter already ¦ thousands
delimiter = ";" ¦ delimiter = "," ¦ decimal ¦ parts columns already ¦ decimal
decimal = "," ¦ decimal = ";" ¦ decimal ¦ no known value ¦ '.' or ','
decimal = "," ¦ decimal = ","\nthousands = "," ¦ thousands ¦ the decimal already ¦ thousands
decimal = "," ¦ decimal = ","\nthousands = "x" ¦ thousands ¦ no thousands mark ¦ blank
decimal = "," ¦ decimal = ","\nthousands = ".," ¦ thousands ¦ no thousands mark ¦ blank
decimal = "," ¦ units_row = "" ¦ units_row ¦ the text is empty (whether ¦ units_row = true, or leave
decimal = "," ¦ skip_rows = "" ¦ skip_rows ¦ the text is empty (lines above ¦ skip_rows = 4, or leave
decimal = "," ¦ sheet = "" ¦ sheet ¦ the text is empty (of a workbook, ¦ write for example sheet = "Sweep", or
decimal = "," ¦ encoding = "utf-9" ¦ encoding ¦ no known encoding ¦ cp1252
decimal = "," ¦ encoding = "base64" ¦ encoding ¦ no known encoding ¦ cp1252
decimal = "," ¦ skip_rows = -1 ¦ skip_rows ¦ below 0 ¦ 0 or more
decimal = "," ¦ skip_rows = 1.5 ¦ skip_rows ¦ whole number ¦ decimal point
decimal = "," ¦ units_row = "yes" ¦ units_row ¦ true or false ¦ without quotes
decimal = "," ¦ skip_row = 1 ¦ skip_row ¦ no known key ¦ 'skip_rows'
decimal = "," ¦ sample_rate = "100 Hz" ¦ sample_rate ¦ time column and a sample rate ¦ one of
[channel.time]\ncolumn = "t [s]" ¦ [file.x]\n ¦ x ¦ no known key ¦ leave it out
[channel]
[channel.right_torque] ¦ [channel.right_torq] ¦ right_torq ¦ no known channel ¦ 'right_torque'
[channel.right_torque] ¦ [channel.zzz] ¦ zzz ¦ no known channel ¦ oil_temperature
[channel.right_torque] ¦ left_speed = 3\n[channel.right_torque] ¦ left_torque.left_speed ¦ no known key ¦ or
[channel.right_torque]
column = "TR [Nm]"\n ¦  ¦ column ¦ 'column' is missing ¦ column = "
column = "TR [Nm]" ¦ column = "TL" ¦ column ¦ is left_torque already ¦ name the
sign = -1 ¦ unit = "" ¦ unit ¦ the text is empty ¦ write for example unit = "N.m", or leave the key out
sign = -1 ¦ sign = 2 ¦ sign ¦ no known value ¦ 1 or -1
sign = -1 ¦ at = "pinion" ¦ at ¦ an output at the unit or the wheel ¦ or leave it out
sign = -1 ¦ values = { a = "forward" } ¦ values ¦ holds numbers ¦ leave it out
sign = -1 ¦ name = "right" ¦ name ¦ no known key ¦ heading
sign = -1 ¦ at = "wheel" ¦ ratio ¦ the torque is taken at the wheel ¦ state the reduction
sign = -1 ¦ also = ["T"] ¦ also ¦ belongs to a temperature ¦ of its own
sign = -1 ¦ tick = 1 ¦ tick ¦ belongs to the time ¦ leave it out
sign = -1 ¦ rolling_radius = 300 ¦ rolling_radius ¦ belongs to a speed ¦ a roller reads
sign = -1 ¦ u_reading = 0.02 ¦ u_reading ¦ belongs to turning_torque ¦ leave it out
sign = -1 ¦ reaction = true ¦ reaction ¦ no known key ¦ outputs = "reaction"
sign = -1 ¦ u_ratio = 0.02 ¦ u_ratio ¦ no meaning at the unit ¦ at = "wheel"
sign = -1 ¦ range = "" ¦ range ¦ the text is empty (lowest ¦ range = ["-1500 N.m", "1500 N.m"], or leave
sign = -1 ¦ range = [1, 2, 3] ¦ range ¦ two values are wanted ¦ ["10 N.m", "20 N.m"]
sign = -1 ¦ range = [1, 1.0] ¦ range ¦ '1' is not below '1.0' ¦ the lower value first
sign = -1 ¦ drag = "" ¦ drag ¦ the text is empty (torques of shafts only: ¦ drag = "1.4 N.m", or leave
sign = -1 ¦ column2 = "x" ¦ column2 ¦ no known key ¦ 'column'
[channel.left_torque]
unit = "lbf.ft" ¦ unit = "rpm" ¦ unit ¦ an angular speed ¦ 'N.m'
unit = "lbf.ft" ¦ unit = "lbf.tf" ¦ unit ¦ no known unit ¦ 'lbf.ft'
u_zero = 0.5 ¦ u_zer = 0.5 ¦ u_zer ¦ no known key ¦ 'u_zero'
u_zero = 0.5 ¦ u_zero = -0.5 ¦ u_zero ¦ below 0 ¦ without a sign
u_zero = 0.5 ¦ arm = 400 ¦ arm ¦ above 10 ¦ metres
u_zero = 0.5 ¦ u_zero = "1 %" ¦ u_zero ¦ a plain number ¦ 'N.m'
u_zero = 0.5 ¦ u_zero = "0,5 N.m" ¦ u_zero ¦ decimal comma ¦ decimal point
u_zero = 0.5 ¦ u_zero = nan ¦ u_zero ¦ no usable number ¦ finite
u_zero = 0.5 ¦ u_zero = [1] ¦ u_zero ¦ a list ¦ write
u_gain = "0.15 %" ¦ u_gain = 1.5 ¦ u_gain ¦ not below 1 ¦ 0.15 %
u_gain = "0.15 %" ¦ gain = 0 ¦ gain ¦ not above 0 ¦ sign = -1
u_gain = "0.15 %" ¦ gain = true ¦ gain ¦ true or false ¦ write for example
lag = "10 ms" ¦ lag = "-10 ms" ¦ lag ¦ below 0 s ¦ zero or
lag = "10 ms" ¦ lag = { value = "10 ms", u = "1 ms" } ¦ lag ¦ stated twice ¦ one of
lag = "10 ms" ¦ lag = { u = "1 ms" } ¦ lag ¦ 'value' is missing ¦ value =
range = [-1000, 1000] ¦ range = [1000, -1000] ¦ range ¦ is not below ¦ lower
range = [-1000, 1000] ¦ range = 1000 ¦ range ¦ two values ¦ [
"500 kg.cm^2" ¦ "500 kgf.m^2" ¦ inertia ¦ GD² ¦ kg.m2
[channel.time]
column = "t [s]" ¦ column = "t"\nunit = "s"\ntick = 1 ¦ unit ¦ how long a count is ¦ one of them
column = "t [s]" ¦ column = "t"\nhysteresis = 1 ¦ hysteresis ¦ belongs to a torque ¦ torque transducer
column = "t [s]" ¦ column = "t [s]"\nefficiency = 1 ¦ efficiency ¦ belongs to the input ¦ leave it out
column = "t [s]" ¦ column = "t"\nunit = "hh:mm" ¦ unit ¦ no known unit ¦ ISO 8601
[channel.left_torque.drag]
u = "0.2 N.m" } ¦ u = 0.2 } ¦ u ¦ has no unit ¦ "0.2 N.m"
u = "0.2 N.m" } ¦ u = "0.2 N.m", w = 1 } ¦ w ¦ not part of ¦ 'value' and 'u'
[channel.left_speed]
column = "nL [1/min]" ¦ column = "nL"\nefficiency = 0.9 ¦ efficiency ¦ belongs to torques ¦ ratio of speeds
column = "nL [1/min]" ¦ column = "nL"\nat = "wheel" ¦ ratio ¦ the speed is taken at the wheel ¦ the reduction
column = "nL [1/min]" ¦ column = "nL"\nratio = 2 ¦ ratio ¦ no meaning at the unit ¦ at = "wheel"
column = "nL [1/min]" ¦ column = "nL"\nat = "case" ¦ at ¦ 'case' cannot be here ¦ or leave it out
column = "nL [1/min]" ¦ column = "nL"\nrolling_radius = 9.9 ¦ rolling_radius ¦ below 10 mm ¦ millimetres
column = "nL [1/min]" ¦ column = "nL"\nzero = true ¦ zero ¦ here is true or false ¦ "12 rad/s"
column = "nL [1/min]" ¦ column = "nL"\nzero = nan ¦ zero ¦ no usable number ¦ finite
column = "nL [1/min]" ¦ column = "nL"\nrange = [0, 500] ¦ range ¦ 500 has no unit ¦ '500 rpm'
column = "nL [1/min]" ¦ column = "nL"\nzero = 5 ¦ zero ¦ no unit ¦ rpm
column = "nL [1/min]" ¦ column = "nL"\ndrag = 1 ¦ drag ¦ a torque channel ¦ state it
[channel.oil_temperature]
unit = "degF"\nzero = "1.8 degF"\nu_zero = "3.6 degF" ¦ u_zero = -1 ¦ u_zero ¦ below 0 K ¦ without a sign
unit = "degF"\nzero = "1.8 degF"\nu_zero = "3.6 degF" ¦ zero = [1] ¦ zero ¦ a list ¦ "12 K"
[channel.input_torque]
ratio = 3.42\n ¦  ¦ ratio ¦ 'ratio' is missing ¦ ratio = 3.42
ratio = 3.42 ¦ ratio = "" ¦ ratio ¦ the torque is taken at the pinion ¦ state the final drive: ratio = 3.42
ratio = 3.42 ¦ ratio = -3.42 ¦ ratio ¦ not above 0 ¦ above zero
at = "pinion"\nratio = 3.42\n ¦  ¦ efficiency ¦ no meaning at the case ¦ "pinion"
at = "pinion" ¦ at = "pinon" ¦ at ¦ no known value ¦ 'pinion'
at = "pinion" ¦ at = "wheel" ¦ at ¦ 'wheel' cannot be here ¦ at = "pinion"
[channel.input_torque.efficiency]
value = 0.965 ¦ value = 1.2 ¦ value ¦ above 1 ¦ as a share
[repeatability]
preload_torque = 0.015 ¦ preload_torque = "15 N.m" ¦ preload_torque ¦ a torque ¦ '1'
""",
    "build": r"""
unit = "U1" ¦ unit = 1 ¦ unit ¦ a text is wanted ¦ in quotes
distance = "120 mi" ¦ distance = "-1 km" ¦ distance ¦ below 0 ¦ zero or
distance = "120 mi" ¦ spring_force = "9 N" ¦ spring_force ¦ does not belong here ¦ [preload]
{ value = 0.02, u = 0.01 } ¦ "" ¦ gear_friction ¦ the text is empty (mesh friction ¦ gear_friction = 0.02, or
distance = "120 mi" ¦ spring_rate = 2 ¦ spring_rate ¦ no known key ¦ 'spring_force' in [preload] is meant
distance = "120 mi" ¦ spring_stiff = 2 ¦ spring_stiff ¦ no known key ¦ or write one of format, unit
distance = "120 mi" ¦ disc_spring = 2 ¦ disc_spring ¦ does not belong here ¦ [preload]
distance = "120 mi" ¦ thicknes = 2 ¦ thicknes ¦ no known key ¦ in [preload.disc_spring] is meant, perhaps
distance = "120 mi" ¦ distance = true ¦ distance ¦ here is true or false ¦ "12 km"
distance = "120 mi" ¦ distance = { value = 1 } ¦ distance ¦ here is a table ¦ "12 km"
distance = "120 mi" ¦ distance = "" ¦ distance ¦ the text is empty (run since ¦ or leave the key out
[gear_friction]
value = 0.02 ¦ value = 1.2 ¦ value ¦ not below 1 ¦ a share
[preload]
law = "undecided" ¦ law = "undecided"\ngear_friction = 0 ¦ gear_friction ¦ not belong ¦ [limits]
law = "undecided" ¦ law = "sum" ¦ law ¦ no known value ¦ 'additive'
shim = "0.2 mm" ¦ shim = "-0.2 mm" ¦ shim ¦ below 0 ¦ zero or
shim = "0.2 mm" ¦ joint_fraction = 1.0 ¦ joint_fraction ¦ not below 1 ¦ a share
law = "undecided" ¦ law = "additive"\njoint_fraction = 0.1 ¦ joint_fraction ¦ no joint ¦ greater-of
[limits]
face_wear = "60 um" ¦ gear_friction = 0 ¦ gear_friction ¦ stated twice ¦ one of
["75 N.m", "95 N.m"] ¦ ["95 N.m", "75 N.m"] ¦ preload_torque ¦ is not below ¦ lower
["75 N.m", "95 N.m"] ¦ ["75 N.m", "75 N.m"] ¦ preload_torque ¦ is not below '75 N.m' ¦ lower
["75 N.m", "95 N.m"] ¦ ["75 N.m"] ¦ preload_torque ¦ two values ¦ ["10 N.m", "20 N.m"]
face_wear = "60 um" ¦ ramp_bias_drive = 0.5 ¦ ramp_bias_drive ¦ two values ¦ ["10", "20"]
["75 N.m", "95 N.m"] ¦ "75 N.m" ¦ preload_torque ¦ two values ¦ [
["75 N.m", "95 N.m"] ¦ ["-5 N.m", "75 N.m"] ¦ preload_torque ¦ below 0 ¦ zero or
face_wear = "60 um" ¦ locking_torque_sense = "half" ¦ locking_torque_sense ¦ value ¦ 'one-pack'
face_wear = "60 um" ¦ max_wear = "60 um" ¦ max_wear ¦ no known key ¦ face_wear
[packs]
faces = 5 ¦ faces = 0 ¦ faces ¦ below 1 ¦ 1 or more
faces = 5 ¦ faces = 5.0 ¦ faces ¦ whole number ¦ decimal point
faces = 5\n ¦  ¦ faces ¦ 'faces' is missing (friction faces in one pack) ¦ faces = 4
"36.9 mm" ¦ "56.9 mm" ¦ outer_radius ¦ not above the inner radius ¦ swapped
"36.9 mm" ¦ "52.5 mm" ¦ outer_radius ¦ not above the inner radius ¦ swapped
"36.9 mm" ¦ "36.9 m" ¦ inner_radius ¦ above 1000 mm ¦ mm
"36.9 mm" ¦ 1*400 ¦ inner_radius ¦ no usable number ¦ finite
"36.9 mm" ¦ 0.0369 ¦ inner_radius ¦ below 1 mm ¦ mm
plate_mass = "1.1 kg" ¦ plate_mass = "0 kg" ¦ plate_mass ¦ not above 0 ¦ above zero
plate_mass = "1.1 kg" ¦ contact = "uniform" ¦ contact ¦ no known value ¦ 'uniform-wear'
plate_mass = "1.1 kg" ¦ plate_mas = 1 ¦ plate_mas ¦ no known key ¦ 'plate_mass'
"36.9 mm" ¦ "" ¦ inner_radius ¦ the text is empty (inner radius ¦ write for example inner_radius = "38 mm"
"36.9 mm" ¦ [] ¦ inner_radius ¦ here is a list ¦ "12 mm"
plate_mass = "1.1 kg" ¦ format = "x" ¦ format ¦ does not belong here ¦ the top, above the first table
plate_mass = "1.1 kg" ¦ distanse = 1 ¦ distanse ¦ no known key ¦ 'distance' at the top is meant, perhaps
[ramps]
"45 deg" ¦ "0 deg" ¦ drive_angle ¦ 0 deg from the plane is impossible ¦ up to 90 deg
"60 deg" ¦ "90.1 deg" ¦ coast_angle ¦ 90.1 deg from the plane ¦ angle_from
"60 deg" ¦ "91 deg" ¦ coast_angle ¦ 91 deg from the plane ¦ angle_from
"60 deg" ¦ "90 deg"\nangle_from = "axis" ¦ coast_angle ¦ 90 deg from the axis ¦ below 90 deg
"60 deg" ¦ "60 deg"\nangle_from = "axle" ¦ angle_from ¦ no known value ¦ 'plane' or 'axis'
[preload.spring_force]
value = "1850 N" ¦ value = "-1850 N" ¦ value ¦ not above 0 ¦ above zero
value = "1850 N" ¦ value = "1850 lb" ¦ value ¦ a mass ¦ 'lbf'
value = "1850 N" ¦ value = "1850 ± 60 N" ¦ value ¦ its uncertainty ¦ u =
[preload.disc_spring]
"80 mm" ¦ "100 mm" ¦ inner_diameter ¦ not below the outer ¦ swapped
"80 mm" ¦ "180 mm" ¦ inner_diameter ¦ not below the outer ¦ swapped
"1.5 mm" ¦ "15 mm" ¦ thickness ¦ width of the ring ¦ unit
"1.6 mm" ¦ "10.1 mm" ¦ cone_height ¦ not below the width of the ring, 10 mm ¦ unit
"1.6 mm" ¦ "0 mm" ¦ cone_height ¦ not above 0 ¦ above zero
cone_height = "1.6 mm"\n ¦  ¦ cone_height ¦ is missing ¦ 1.4 mm
series = 2 ¦ series = 0 ¦ series ¦ below 1 ¦ 1 or more
[oil]
viscosity_40 = ¦ name = ""\nviscosity_40 = ¦ name ¦ the text is empty (of the oil)
    ¦ write for example name = "75W-140", or leave the key out
viscosity_40 = "190 mm^2/s"\n ¦  ¦ viscosity_40 ¦ is missing ¦ beside viscosity_100
viscosity_100 = "17.5 cSt"\n ¦  ¦ viscosity_100 ¦ is missing ¦ beside viscosity_40
"17.5 cSt" ¦ "190 cSt" ¦ viscosity_100 ¦ not thinner ¦ swapped
"17.5 cSt" ¦ "1750 cSt" ¦ viscosity_100 ¦ not thinner ¦ swapped
"17.5 cSt" ¦ "17.5 cP" ¦ viscosity_100 ¦ dynamic viscosity ¦ density
[reference]
"140 degF" ¦ "1400 degC" ¦ temperature ¦ above 600 ¦ degC
"140 degF" ¦ "140 degrees" ¦ temperature ¦ an angle ¦ degC
"4 rad/s" ¦ "4 1/s" ¦ speed_difference ¦ turns or radians ¦ rps
"4 rad/s" ¦ 0 ¦ speed_difference ¦ not above 0 ¦ above zero
[map]
input_torque = ["-300 N.m", "600 N.m"] ¦ torque = [0, 1] ¦ torque ¦ no known key ¦ input_torque
""",
    "run": r"""
rig = "rig.toml"\n ¦  ¦ rig ¦ 'rig' is missing ¦ rig =
date = 2026-03-15 ¦ date = "15.3.2026" ¦ date ¦ no day ¦ 2026-03-15
date = 2026-03-15 ¦ date = 20260315 ¦ date ¦ a day is wanted ¦ 2026-03-15
date = 2026-03-15\n ¦  ¦ date ¦ 'date' is missing (of the visit) ¦ 2026-03-15
file = "tare.csv" ¦ file = "bias-sweep.csv" ¦ run ¦ more than once ¦ once
RUNS ¦  ¦ run ¦ 'run' is missing (one for each recording) ¦ add a table [[run]] for each recording
RUNS ¦ run = [] ¦ run ¦ no recording is named ¦ a heading [[run]], and below it file = "sweep.csv", kind =
format = "diffbench-run/1" ¦ format = "diffbench-run/0" ¦ format ¦ no known version ¦ diffbench-run/1
[run[2]]
file = "bias-sweep.csv" ¦ file = " " ¦ file ¦ the text is empty ¦ leave the key out
file = "bias-sweep.csv" ¦ file = ["b"] ¦ file ¦ a text is wanted, here is a list ¦ in quotes
kind = "bias-sweep" ¦ kind = "bias_sweep" ¦ kind ¦ no known value ¦ 'bias-sweep'
kind = "bias-sweep" ¦  ¦ kind ¦ 'kind' is missing ¦ speed-sweep
kind = "bias-sweep" ¦ kind = "bias-sweep"\nnotes = "x" ¦ notes ¦ no known key ¦ 'note'
[run[1]]
file = "tare.csv" ¦ fil = "tare.csv" ¦ fil ¦ no known key ¦ 'file'
""",
    "car": r"""
[axle]
track = "1480 mm" ¦ track = "0 m" ¦ track ¦ '0 m' is below 0.1 m ¦ above zero
track = "1480 mm" ¦ track = -1.48 ¦ track ¦ is below 0.1 m ¦ above zero
track = "1480 mm" ¦ track = 1480 ¦ track ¦ is above 10 m ¦ in m
track = "1480 mm" ¦ track = { value = "500 mm", u = "400 mm" } ¦ track.u
    ¦ limit is -0.284 m: zero or less ¦ half of
track = "1480 mm" ¦ trak = "1480 mm" ¦ trak ¦ no known key ¦ 'track'
rolling_radius = 305 ¦ rolling_radius = 0 ¦ rolling_radius ¦ below 20 mm ¦ in mm
rolling_radius = 305 ¦ rolling_radius = 0.305 ¦ rolling_radius ¦ below 20 mm ¦ in mm
[tyre]
"60 kN" ¦ "0 N" ¦ slip_stiffness ¦ below 10 N ¦ per unit slip
"60 kN" ¦ "60 N/mm" ¦ slip_stiffness ¦ a force is wanted ¦ 'kN'
[phase[1]]
speed = "90 km/h" ¦ speed = "0 km/h" ¦ speed ¦ not above 0 m/s ¦ standstill and reverse
speed = "90 km/h" ¦ speed = "-5 km/h" ¦ speed ¦ not above 0 m/s ¦ standstill and reverse
speed = "90 km/h" ¦ speed = "90 rpm" ¦ speed ¦ a speed is wanted ¦ 'm/s'
radius = "60 m" ¦ radius = "-60 m" ¦ radius ¦ below 1 m ¦ whichever way
radius = "60 m" ¦ radius = nan ¦ radius ¦ no usable number ¦ finite
engine_braking = "120 N.m" ¦ engine_braking = "-120 N.m" ¦ engine_braking ¦ below 0 N.m ¦ the magnitude
engine_braking = "120 N.m" ¦ engine_braking = 1\ndrive_torque = 2 ¦ drive_torque
    ¦ engine_braking is stated too ¦ leave one
engine_braking = "120 N.m"\n ¦  ¦ engine_braking ¦ neither engine_braking nor drive_torque
    ¦ 0 where the car rolls
brake_torque = 80 ¦ brake_torque = -80 ¦ brake_torque ¦ below 0 N.m ¦ zero or
"500 ms" ¦ "0 s" ¦ duration ¦ not above 0 s ¦ above zero
turn = "left" ¦ turn = "lft" ¦ turn ¦ no known value ¦ 'left'
[phase[2]]
"2.5 kN" ¦ [2.5] ¦ outer_tyre_limit ¦ is wanted, here is a list ¦ write for example "12 N"
outer_tyre_limit = ¦ outer_tyre_limits = ¦ outer_tyre_limits ¦ no known key ¦ 'outer_tyre_
[]
name = "throttle" ¦ name = "turn-in" ¦ phase ¦ turn-in stands here more than once ¦ of its own
drive_torque = 200 ¦ engine_braking = 200 ¦ phase ¦ others none ¦ of all of them, or of none
diffbench-car/1 ¦ diffbench-car/2 ¦ format ¦ newer than this program ¦ update diffbench
diffbench-car/1 ¦ diffbench-rig/1 ¦ format ¦ this is a rig, a car is wanted ¦ name the car
name = "Car"\n ¦  ¦ name ¦ 'name' is missing ¦ name = "
[tyre]\n ¦ [tyre]\nfriction = 1.1\n ¦  ¦ friction needs the loads of the wheels ¦ describe [body]
[tyre]\n ¦ [body]\nBODY\n[tyre]\n ¦  ¦ does not say what load does ¦ state load_exponent in [tyre]
[tyre]\n ¦ [body]\nBODY\ndrag = 9\n[tyre]\nload_exponent = 1\n ¦  ¦ drag and lift are of a speed ¦ air_speed
[tyre]\n ¦ [body]\nBODY\nlift = -9\n[tyre]\nload_exponent = 1\n ¦  ¦ drag and lift are of a speed ¦ air_speed
[axle]\n ¦ axle = 3\n[tyre.x]\n ¦ axle ¦ a table is wanted, here is 3 ¦ keys of its own
""",
    "log": r"""
date = 2026-05-02 ¦ date = "May" ¦ date ¦ 'May' is no day ¦ 2026-03-15
steering_ratio = 14.5\n ¦  ¦ steering_ratio ¦ steering alone says no path ¦ state steering_ratio
gradient = { value = 0.02, u = 0.005 } ¦ gradient = 0.02 ¦ understeer_gradient ¦ whose doubt decides ¦ u =
0.02, u = 0.005 } ¦ 0.02 } ¦ understeer_gradient ¦ whose doubt decides the number ¦ steady circle
steering_ratio = 14.5 ¦ steering_ratio = 0 ¦ steering_ratio ¦ not above 0 ¦ above zero
lap_length = "3.2 km" ¦ lap_length = "0 m" ¦ lap_length ¦ not above 0 m ¦ above zero
[channel.steering]\ncolumn = "Steer [deg]"\n ¦  ¦ channel ¦ nothing says how the car turns ¦ yaw_rate
[channel.speed]\ncolumn = "v [km/h]"\n ¦  ¦ channel ¦ 'speed' is missing ¦ one wheel speed alone
[channel.right_brake_pressure]\ncolumn = "pR [bar]"\n ¦  ¦ channel ¦ missing beside 'left_brake ¦ leave both
[channel.left_brake_pressure]\ncolumn = "pL [bar]"\n ¦  ¦ channel ¦ missing beside 'right_brake ¦ leave both
[channel.right_speed]\ncolumn = "RR"\nunit = "rpm"\nsign = -1\n ¦  ¦ channel ¦ 'right_speed' is ¦ one wheel
file = "2.csv" ¦ file = "1.csv" ¦ run ¦ 1.csv stands here more than once ¦ name every recording once
[channel.time]
column = "t [s]" ¦ column = "t [s]"\nsign = -1 ¦  ¦ the clock has neither ¦ leave them out
column = "t [s]" ¦ column = "t [s]"\ngain = 2 ¦  ¦ the clock has neither ¦ leave them out
column = "t [s]" ¦ column = "t [s]"\nrolling_radius = 300 ¦  ¦ belongs to wheel speeds ¦ leave it out
[channel.left_speed]
gain = 1.25 ¦ gain = 0 ¦ gain ¦ not above 0 ¦ above zero
u_gain = "0.2 %" ¦ u_gain = 1 ¦ u_gain ¦ not below 1 ¦ 0.005
[channel.right_speed]
unit = "rpm" ¦ unit = "km/h" ¦  ¦ is a speed, an angular speed is wanted ¦ a road speed needs rolling_radius
[channel.speed]
column = "v [km/h]" ¦ column = "v"\nunit = "rpm" ¦  ¦ is an angular speed, a speed is wanted ¦ 'm/s'
[run[1]]
temperature = "176 degF" ¦ temperature = 221 ¦ temperature ¦ above 220 degC ¦ degC
temperature = "176 degF" ¦ temperature = -41 ¦ temperature ¦ below -40 degC ¦ degC
"104.1 s" ¦ "2.5 s" ¦ laps ¦ one after the other ¦ each once
"2.5 s", ¦ "-2.5 s", ¦ laps[1] ¦ below 0 s ¦ zero or
[run[2]]
"90 N.m" ¦ "0 N.m" ¦ preload.value ¦ not above 0 N.m ¦ above zero
""",
}


def cases() -> list[tuple[str, ...]]:
    """Kind and dotted key, passage and what stands there instead, words of fault and mend, of each rule."""
    found: list[tuple[str, ...]] = []
    for kind, rules in RULES.items():
        table = ""
        for line in rules.replace("\n    ¦", " ¦").strip().splitlines():
            if "¦" not in line:
                table = "" if line == "[]" else f"{line[1:-1]}."
                continue
            parts = [
                part.strip()
                .replace("\\n", "\n")
                .replace("1*400", "1" * 400)
                .replace("BODY", BODY)
                .replace("WORDS", WORDS)
                .replace("RUNS", RUNS)
                for part in line.split("¦")
            ]
            old, new, key, what, mend = parts
            found.append((kind, (table + key).removesuffix("."), old, new, what, mend))
    return [(*case, told) for case, told in zip(found, TOLD, strict=True)]


@pytest.mark.parametrize(("kind", "key", "old", "new", "what", "mend", "told"), cases())
def test_each_rule_is_one_fault_at_its_key(
    kind: str,
    key: str,
    old: str,
    new: str,
    what: str,
    mend: str,
    told: str,
    write: Writer,
    texts: dict[str, str],
) -> None:
    assert texts[kind].count(old) == 1
    text = edited(texts[kind], old, new)
    found = faults_of(kind, write(text))
    faults = [fault for fault in found if fault.place.key == key]
    assert len(faults) == 1, [str(fault) for fault in found]
    assert what in faults[0].what
    assert mend in faults[0].mend
    assert f"{kind}, {key}: {faults[0].what}. {faults[0].mend}." == told
    if faults[0].place.line is None:
        # A key that is missing at the top stands nowhere.
        assert "." not in key
        assert f"\n{key} =" not in text.partition("\n[")[0]
    else:
        line = text.splitlines()[faults[0].place.line - 1]
        assert any(part.partition("[")[0] in line for part in key.split("."))


def test_the_right_documents_have_no_fault(write: Writer, texts: dict[str, str]) -> None:
    for kind, text in texts.items():
        assert LOADERS[kind](write(text)).format == f"diffbench-{kind}/1"


def test_one_rule_broken_is_one_fault(write: Writer, texts: dict[str, str]) -> None:
    (fault,) = faults_of("rig", write(edited(texts["rig"], 'name = "Cell"', 'nane = "Cell"')))
    assert str(fault).endswith("document.toml, line 2: nane: 'nane' is no known key. Mend: write 'name'.")


def test_all_faults_of_a_file_come_at_once_in_its_order(write: Writer, texts: dict[str, str]) -> None:
    text = texts["rig"]
    for old, new in (
        ('delimiter = ";"', 'delimiter = "||"'),
        ('unit = "lbf.ft"', 'unit = "rpm"'),
        ("u_zero = 0.5", "u_zer = 0.5"),
        ("[channel.right_torque]", "[channel.right_torq]"),
        ("ratio = 3.42\n", ""),
        ("preload_torque = 0.015", "preload_torque = 15"),
    ):
        text = edited(text, old, new)
    faults = faults_of("rig", write(text))
    assert [fault.place.key for fault in faults] == [
        "file.delimiter",
        "channel.right_torque",  # missing: said where the channels begin
        "channel.left_torque.unit",
        "channel.left_torque.u_zer",
        "channel.right_torq",
        "channel.input_torque.ratio",
        "repeatability.preload_torque",
    ]
    lines = [fault.place.line or 0 for fault in faults]
    assert lines == sorted(lines)


def test_all_faults_of_a_list_of_tables_come_at_once(write: Writer, texts: dict[str, str]) -> None:
    text = edited(
        edited(edited(texts["car"], '"1480 mm"', '"0 m"'), '"90 km/h"', '"0 km/h"'),
        "drive_torque = 200\n",
        "",
    )
    faults = faults_of("car", write(text))
    assert [fault.place.key for fault in faults] == [
        "axle.track",
        "phase[1].speed",
        "phase[2].engine_braking",
    ]
    assert [fault.place.line for fault in faults][:2] == [4, 10]


@pytest.mark.parametrize(
    ("arrangement", "gone", "key", "mend"),
    [
        ("both-outputs", "left_torque", "channel.left_torque", "[channel.left_torque]"),
        ("both-outputs", "right_torque", "channel.right_torque", "[channel.right_torque]"),
        ("both-outputs", "right_speed", "channel", "speed_difference"),
        (
            "input-and-one-output",
            "input_torque left_torque",
            "channel.input_torque",
            "[channel.input_torque]",
        ),
        ("input-and-one-output", "left_torque right_torque", "channel", "[channel.right_torque]"),
        ("input-and-one-output", "", "arrangement", "both-outputs"),
        ("input-and-one-output", "left_torque left_speed", "channel", "speed_difference"),
        ("output-turned-case-free", "", "channel.turning_torque", "[channel.turning_torque]"),
        ("output-turned-case-held", "", "channel.turning_torque", "[channel.turning_torque]"),
    ],
)
def test_an_arrangement_needs_its_channels(
    arrangement: str, gone: str, key: str, mend: str, write: Writer
) -> None:
    columns = ["input_torque", "left_torque", "right_torque", "left_speed", "right_speed"]
    text = f'format = "diffbench-rig/1"\nname = "Cell"\narrangement = "{arrangement}"\n'
    text += "".join(f'[channel.{name}]\ncolumn = "{name}"\n' for name in columns if name not in gone.split())
    (fault,) = faults_of("rig", write(text))
    assert fault.place.key == key
    assert mend in fault.mend


def test_words_of_a_channel_of_words(write: Writer) -> None:
    text = """\
format = "diffbench-rig/1"
name = "Fixture"
arrangement = "output-turned-case-free"
[channel.turning_torque]
column = "W"
[channel.direction]
column = "way"
unit = "N.m"
values = { ahead = "forwards" }
"""
    unit, words = faults_of("rig", write(text))
    assert (unit.place.key, unit.place.line) == ("channel.direction.unit", 8)
    assert (words.place.key, words.place.line) == ("channel.direction.values", 9)
    assert "'forward' or 'backward'" in words.mend


@pytest.mark.parametrize(
    ("content", "line", "what", "mend"),
    [
        (b"", None, "empty", "diffbench-build/1"),
        (b'format = "diffbench-build/1"\nunit = U1\n', 2, "no TOML", "texts in quotes"),
        (b'format = "diffbench-build/1"\ndistance = 120 km\n', 2, "no TOML", "with its unit in quotes"),
        (b'format = "diffbench-build/1"\ndistance = 1,5\n', 2, "no TOML", "decimal point"),
        (b'format = "diffbench-build/1"\nunit = "a"\nunit = "b"\n', 3, "no TOML", "twice"),
        (b'format = "diffbench-build/1"\n[packs\n', 2, "no TOML", "check this line"),
        (b'format = "diffbench-build/1"\nunit = "a\\b\\w"\n', 2, "no TOML", "forward slashes"),
        (b'format = "diffbench-build/1"\nunit = """a\n', 2, "no TOML", "check this line"),
        (b'format = "diffbench-build/1"\nunit = "\xb5"\n', 2, "not UTF-8", "save it as UTF-8"),
        ('format = "diffbench-build/1"'.encode("utf-16"), None, "UTF-16", "save it as UTF-8"),
        (b'unit = "U1"\n', None, "'format' is missing", 'format = "diffbench-build/1"'),
        (b'format = "diffbench-rig/1"\n', 1, "this is a rig, a build sheet is wanted", "the build sheet"),
        (b'\nformat = "diffbench-build/2"\n', 2, "newer than this program", "update"),
        (b'format = "diffbench-build"\n', 1, "no known version", 'format = "diffbench-build/1"'),
        (b'# mine\n"format" = "diffbench-biuld/1"\n', 2, "diffbench-build is meant", "diffbench-build/1"),
        (b"format = 1\n", 1, "no known format", "diffbench-build/1"),
        (b"unit = " + b"1" * 5000, None, "too long", "schema"),
        (b"unit = " + b"[" * 5000, None, "nested too deep", "schema"),
    ],
)
def test_what_is_no_build_sheet(
    content: bytes, line: int | None, what: str, mend: str, write: Writer
) -> None:
    fault = faults_of("build", write(content))[0]
    assert what in fault.what
    assert mend in fault.mend
    if line is not None:
        assert fault.place.line == line


def test_a_file_that_is_not_there_names_its_neighbour(tmp_path: Path, texts: dict[str, str]) -> None:
    (tmp_path / "d07-rebuilt.toml").write_text(texts["build"], encoding="utf-8")
    (near,) = faults_of("build", tmp_path / "d07_rebuild.toml")
    assert "does not exist" in near.what
    assert "d07-rebuilt.toml" in near.mend
    (far,) = faults_of("build", tmp_path / "nowhere" / "d07.toml")
    assert far.mend == "check the path"


def test_a_folder_is_no_document(tmp_path: Path) -> None:
    (fault,) = faults_of("rig", tmp_path)
    assert "folder" in fault.what


def test_a_file_in_the_way_of_a_folder(write: Writer, texts: dict[str, str]) -> None:
    path = write(texts["rig"]) / "rig.toml"
    (fault,) = faults_of("rig", path)
    assert "can't be read" in fault.what


def test_an_empty_list_is_called_by_its_key(write: Writer, texts: dict[str, str]) -> None:
    """No recording is missing where a list of shims is empty."""
    (fault,) = faults_of(
        "build", write(edited(texts["build"], "[preload]", "[preload]\nshims_in_stock = []"))
    )
    assert "shims_in_stock is an empty list" in str(fault)
    assert "recording" not in str(fault)


def test_of_the_only_recording_its_own_fault_is_told(write: Writer, texts: dict[str, str]) -> None:
    """Not that none is named; and beside it, that a list elsewhere is empty."""
    sheet = texts["run"].partition("[[run]]")[0] + '[[run]]\nfile = "tare.csv"\nkind = "tara"\n'
    (fault,) = faults_of("run", write(sheet))
    assert fault.place.key == "run[1].kind"
    build = edited(texts["build"], "[preload]", "[preload]\nshims_in_stock = []")
    both = faults_of("build", write(edited(build, "faces = 5", "faces = 0")))
    assert [one.place.key for one in both] == ["packs.faces", "preload.shims_in_stock"]
