#pragma once
/// An invented rig of three ways that uses every key of the format, and an invented venue for it.
#include <string>

namespace rackproof::rig {

inline const std::string kExampleRig = R"toml(format = 1
title = "Harbour Yard (invented): two tops and a sub stack"

[controller]
sample_rate = "48 kHz"
block = 128
input_full_scale = "+20 dBu"
output_full_scale = "+18 dBu"
temperature = "25 degC"

[feeds]
left = 1
right = 2

[amplifier.tops]
ratings = [ { power = "700 W", load = "8 ohm" }, { power = "1150 W", load = "4 ohm" } ]
gain = "32 dB"
attenuator = "-6 dB"
attenuator_fixed = true
bridged = false

[amplifier.subs]
ratings = [ { power = "1.2 kW", load = "4 ohm" } ]
sensitivity = "1.4 V"
bridged = true

[driver.cone12]
impedance = "8 ohm"
continuous_power = "300 W"
peak_power = "1200 W"
thermal_time = "3 s"

[driver.cone18]
impedance = "8 ohm"
continuous_power = "600 W"

[system]
gain = "-1 dB"
eq = [ { type = "peaking", at = "240 Hz", gain = "-3.5 dB", q = 1.4 } ]

[crossover]
points = [
  { at = "95 Hz", alignment = "linkwitz-riley", slope = "24 dB/oct" },
  { low = { at = "1.6 kHz", alignment = "butterworth", slope = "18 dB/oct" },      # each side on its own:
    high = { at = "1.8 kHz", alignment = "bessel", slope = "12 dB/oct" } },        # low: of the way below
]
phase_matched = false

[[way]]
name = "sub"
feeds = "sum"
amplifier = "subs"
driver = "cone18"
drivers = 2
gain = "-3 dB"
polarity = "inverted"
delay = "2.1 ms"
highpass = { at = "32 Hz", alignment = "butterworth", slope = "24 dB/oct" }
eq = [ { type = "peaking", at = "60 Hz", gain = "-2 dB", q = 1.2 }, { type = "notch", at = "50 Hz", bandwidth = "0.1 oct" } ]
limit = { below_clip = "2 dB", look_ahead = "1.5 ms", hold = "5 ms", release = "120 ms", true_peak = false }
thermal = { below_rating = "1 dB" }

[[way]]
name = "mid"
amplifier = "tops"
driver = "cone12"
delay = "0.72 m"
limit = { below_clip = "3 dB" }

[[way]]
name = "high"
amplifier = "tops"
driver = "cone12"
eq = [ { type = "highshelf", at = "8 kHz", gain = "+2 dB", shelf_slope = 0.9 } ]
response = "horn.csv"

[accept]
crossover-sum = "sides set apart for this horn, whose own slope does the rest"
)toml";

inline const std::string kExampleVenue = R"toml(format = 1
title = "Boat shed (invented)"

[venue]
gain = "-2 dB"
eq = [ { type = "lowshelf", at = "120 Hz", gain = "-4 dB", q = 0.7 } ]

[venue.feed.left]
eq = [ { type = "peaking", at = "400 Hz", gain = "-2 dB", q = 2 } ]

[venue.feed.right]
gain = "0.5 dB"
)toml";

}  // namespace rackproof::rig
