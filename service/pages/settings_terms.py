"""The settings of a site as people read them: what limits of plausible entries there are, and what is doubted."""

from __future__ import annotations

from typing import Final

from service.pages.languages import marked

LIMITS: Final = {
    "feed_thickness_least": marked("least feed × thickness with oxygen, m/min × mm"),
    "feed_thickness_most": marked("most feed × thickness with oxygen, m/min × mm"),
    "oxygen_most_bar": marked("most oxygen pressure in thin plate, bar"),
    "thick_from_mm": marked("thickness from which the limits of thick plate hold, mm"),
    "thick_oxygen_least_bar": marked("least oxygen pressure in thick plate, bar"),
    "thick_oxygen_most_bar": marked("most oxygen pressure in thick plate, bar"),
    "nitrogen_air_least_bar": marked("least pressure of nitrogen or air, bar"),
    "standoff_least_mm": marked("least distance from nozzle to plate, mm"),
    "standoff_most_mm": marked("most distance from nozzle to plate, mm"),
    "pierce_most_seconds": marked("longest pierce, s"),
    "time_least_ratio": marked("least machine time, times the one expected"),
    "time_most_ratio": marked("most machine time, times the one expected"),
    "narrow_ratio": marked("least hole or web, times the thickness"),
    "very_narrow_ratio": marked("hole or web below which the warning is strong, times the thickness"),
    "sharp_corner_over_mm": marked("thickness up to which corners may be without radius, mm"),
    "kerf_mm": marked("width of the kerf, mm"),
    "plate_least_c": marked("coldest plate, °C"),
    "plate_most_c": marked("hottest plate, °C"),
    "temperature_holds_hours": marked("how long a measured temperature holds, h"),
    "rework_most_minutes": marked("most rework of a part, person-minutes"),
    "rework_most_times": marked("most times that one part is worked on"),
    "failed_in_succession": marked("failed pierces in succession that ask for a look"),
    "failed_in_window": marked("failed pierces close together that ask for a look"),
    "pierce_window": marked("pierces that are looked at together"),
    "plate_mass_most_share": marked("most mass of the parts, share of the plate's"),
    "shift_end_minutes": marked("time around the end of a shift in which all entries are odd, min"),
    "shift_end_entries": marked("entries of a shift from which that is said"),
}
DOUBTS: Final = {
    "feed_times_thickness": marked("feed × thickness with oxygen"),
    "gas_pressure": marked("pressure of the cutting gas"),
    "standoff": marked("distance from nozzle to plate"),
    "pierce_time": marked("time of one pierce"),
    "machine_time": marked("machine time beside length, feed and pierces"),
    "measured_thickness": marked("measured thickness beside the nominal one"),
    "plate_temperature": marked("temperature of the plate"),
    "hole_ratio": marked("smallest hole beside the thickness"),
    "web_ratio": marked("thinnest web beside the thickness"),
    "sharp_corner": marked("corner without radius in thick plate"),
    "size_beyond_kerf": marked("deviation of a size beside the kerf"),
    "rework_minutes": marked("rework minutes of a part"),
    "rework_times": marked("times that a part was worked on"),
    "failed_pierces": marked("failed pierces close together"),
    "plate_mass": marked("mass of the parts beside that of their plate"),
    "times_at_shift_end": marked("times that all lie at the end of a shift"),
    "heat_or_machine": marked("one heat bad on one machine or on several"),
}
