#include "harness/rig/meant.hpp"

#include <fmt/core.h>

#include <algorithm>
#include <array>
#include <charconv>

namespace rackproof::rig {
namespace {

/// Small letters and digits alone: "Linkwitz-Riley" is "linkwitzriley".
std::string bare(std::string_view text) {
  std::string letters;
  for (const char c : text) {
    if (c >= 'A' && c <= 'Z')
      letters += static_cast<char>(c - 'A' + 'a');
    else if ((c >= 'a' && c <= 'z') || (c >= '0' && c <= '9'))
      letters += c;
  }
  return letters;
}

struct Foreign {
  std::string_view names;   ///< apart by blanks, as `bare` makes them
  std::string_view beside;  ///< holds in a table that knows this key
  std::string_view right;
};
// The first that fits counts: a table that knows below_clip is a limit, one that knows limit a way.
constexpr std::array kForeign = {
    Foreign{
        "attack attacktime", "look_ahead",
        "a limiter here has no attack: it looks ahead, so that no peak gets through, such as look_ahead = \"2 ms\""},
    Foreign{"attack attacktime release thermalrelease", "below_rating",
            "the power limiter follows the coil: its time is thermal_time in [driver.NAME]"},
    Foreign{"threshold thresh ceiling level limit", "below_clip",
            "a threshold is computed from amplifier, driver and converter; how far below clip to stay is "
            "below_clip = \"2 dB\""},
    Foreign{"threshold thresh level limit power watts", "below_rating",
            "a threshold is computed from the driver's continuous_power; how far below it to stay is "
            "below_rating = \"1 dB\""},
    Foreign{"ratio knee softknee hardknee", "below_clip",
            "nothing passes above this limiter's threshold: it has no ratio and no knee"},
    Foreign{"makeup makeupgain gain outputgain", "below_clip",
            "a limiter only takes; the way's own gain is gain = \"-3 dB\" in [[way]]"},
    Foreign{"threshold thresh ceiling limiter peaklimiter compressor clip attack release", "limit",
            "a way's peak limiter is limit = { below_clip = \"2 dB\" }; its threshold is computed"},
    Foreign{"rms rmslimiter powerlimiter thermallimiter heat", "thermal",
            "a way's power limiter is thermal = { below_rating = \"1 dB\" }; its threshold is computed"},
    Foreign{"hpf hp lowcut subsonic locut protection", "highpass",
            "a way's protection is highpass = { at = \"32 Hz\", alignment = \"butterworth\", slope = \"24 dB/oct\" }"},
    Foreign{"lpf lp lowpass highcut hicut crossover xover points filter", "highpass",
            "where a way ends is the point between it and the next, in points of [crossover]; a low-pass besides is a "
            "band of its eq, type = \"lowpass\""},
    Foreign{"phase invert inverted reverse reversed pol phaseinvert flip", "polarity",
            "a way is turned over with polarity = \"inverted\""},
    Foreign{"distance position time delayms delaym", "delay",
            "a way's delay is delay = \"2.1 ms\", or as distance, delay = \"0.72 m\""},
    Foreign{"offset acousticcentre acousticcenter z", "depth",
            "how far the acoustic centre lies behind the front of the box is depth = \"18 cm\""},
    Foreign{"count quantity number qty", "drivers", "how many drivers are on one amplifier channel is drivers = 2"},
    Foreign{"parallel series", "wiring", "how its drivers are wired is wiring = \"parallel\" or \"series\""},
    Foreign{"muted silent off silence", "mute", "what is silenced is mute = true"},
    Foreign{"inputs input sources source feed from mix", "feeds",
            "what a way takes is feeds = \"each\", \"sum\", [ \"left\" ] or { left = \"0 dB\", right = \"-6 dB\" }"},
    Foreign{"level trim volume attenuation boost db", "gain", "a level in dB is gain = \"-3 dB\""},
    Foreign{"freq frequency f fc f0 hz cutoff center centre corner cornerfrequency point", "at",
            "a frequency is at = \"1.6 kHz\""},
    Foreign{"order poles", "slope", "6 dB/oct for each order: the fourth is slope = \"24 dB/oct\""},
    Foreign{"type filter shape family characteristic kind", "alignment",
            "alignment = \"linkwitz-riley\", \"butterworth\" or \"bessel\""},
    Foreign{"bw width oct octaves", "bandwidth", "a width is q = 1.4, or bandwidth = \"0.7 oct\""},
    Foreign{"slope s", "shelf_slope", "a shelf's slope is shelf_slope = 0.9"},
    // Common practice, no source.
    Foreign{
        "program programpower powerprogram programme programmepower music musicpower musicprogram", "continuous_power",
        "a program rating is usually twice what a driver takes for long: write the RMS or AES figure of the sheet, or "
        "half of the program rating, as continuous_power = \"300 W\""},
    Foreign{
        "power rms rmspower aes aespower nominalpower continuous thermalpower", "continuous_power",
        "what a driver takes for long is continuous_power = \"300 W\", what it takes in peaks peak_power = \"1200 W\""},
    Foreign{"max maxpower peak maximumpower", "peak_power", "what a driver takes in peaks is peak_power = \"1200 W\""},
    Foreign{"z ohm ohms nominalimpedance load re", "impedance",
            "a driver's nominal impedance is impedance = \"8 ohm\""},
    Foreign{"impedance ohm ohms z into", "load", "the load that a rating is for is load = \"8 ohm\""},
    Foreign{"watts w rms rmspower", "load", "what it gives into that load is power = \"700 W\""},
    Foreign{"spl efficiency level splmax 1w1m", "thermal_time", "the level at 1 m for 1 W is sensitivity = \"98 dB\""},
    Foreign{"xmax excursion travel", "thermal_time",
            "travel is guarded by peak_power here and by the way's highpass where its box ends"},
    Foreign{"fs resonance fmin lowestfrequency from min", "lowest",
            "the lowest frequency that a driver may be used at is lowest = \"45 Hz\""},
    Foreign{"fmax highestfrequency to max", "highest",
            "the highest frequency that a driver may be used at is highest = \"4 kHz\""},
    Foreign{
        "bridge btl mono bridgemono bridgedmono", "bridged",
        "two sides on one load are bridged = true, with rated = \"per side\" or \"bridged\" for what the figures are"},
    Foreign{"power watts load rating", "ratings",
            "an amplifier's power is ratings = [ { power = \"700 W\", load = \"8 ohm\" } ]"},
    Foreign{"voltagegain amplification", "ratings",
            "an amplifier's gain is gain = \"32 dB\", or sensitivity = \"1.4 V\""},
    Foreign{"inputsensitivity inputlevel", "ratings",
            "the input for the first rating's power is sensitivity = \"1.4 V\""},
    Foreign{"fs rate samplingrate samplefrequency", "sample_rate", "the controller's rate is sample_rate = \"48 kHz\""},
    Foreign{"fullscale maxoutput maxlevel outputlevel 0dbfs headroom", "output_full_scale",
            "the level of a sine at 0 dBFS is output_full_scale = \"+18 dBu\", of its input input_full_scale"},
    Foreign{"buffer buffersize blocksize frames", "block", "frames a call are block = 64"},
};

bool has(std::span<const std::string> known, std::string_view key) {
  return std::find(known.begin(), known.end(), key) != known.end();
}
/// Is `word` one of `list`, whose words stand apart by blanks?
bool among(std::string_view list, std::string_view word) {
  for (std::size_t at = 0; at < list.size();) {
    const std::size_t end = std::min(list.find(' ', at), list.size());
    if (list.substr(at, end - at) == word) return true;
    at = end + 1;
  }
  return false;
}

}  // namespace

std::string meant_by_key(std::string_view key, std::span<const std::string> known) {
  const std::string word = bare(key);
  for (const Foreign& foreign : kForeign)
    if (has(known, foreign.beside) && among(foreign.names, word)) return std::string(foreign.right);
  if (const std::size_t unit = key.rfind('_'); unit != key.npos && unit > 0) {
    const std::string_view name = key.substr(0, unit);
    if (has(known, name) &&
        among("ms s us hz khz db dbu dbv v mv ohm ohms w kw m cm mm ft in oct", bare(key.substr(unit))))
      return fmt::format("a unit is part of the value: write {} = \"... {}\"", name, key.substr(unit + 1));
  }
  return {};
}

std::string meant_by_alignment(std::string_view text) {
  std::string word = bare(text);
  for (const std::string_view tail : {"octave", "oct", "db", "order", "th", "rd", "nd"})
    if (word.size() > tail.size() && word.ends_with(tail)) word.resize(word.size() - tail.size());
  std::size_t end = word.size();
  while (end > 0 && word[end - 1] >= '0' && word[end - 1] <= '9') --end;
  int number = 0;
  std::from_chars(word.data() + end, word.data() + word.size(), number);
  word.resize(end);

  struct Spelling {
    std::string_view names, right;
    int step;
  };
  constexpr Spelling kSpellings[] = {
      {"lr linkwitz linkwitzriley linkwitzreilly linkwitzreily riley link", "linkwitz-riley", 12},
      {"bw b bu but butter butterworth", "butterworth", 6},
      {"be bes bess bessel bl", "bessel", 6}};
  for (const Spelling& one : kSpellings) {
    if (!among(one.names, word)) continue;
    // LR4 and BW3 give the order, LR24 and BW18 the slope.
    const int slope = number <= 8 && number != 6 ? 6 * number : number == 6 && one.step == 12 ? 36 : number;
    const int least = one.right == "bessel" ? 12 : one.step;
    if (number == 0) return fmt::format("alignment = \"{}\" is meant", one.right);
    if (slope >= least && slope <= 48 && slope % one.step == 0)
      return fmt::format("two keys say this: alignment = \"{}\", slope = \"{} dB/oct\"", one.right, slope);
    return fmt::format("alignment = \"{}\" is meant, with slope = \"24 dB/oct\" beside it", one.right);
  }
  return {};
}

std::string meant_by_eq_type(std::string_view text) {
  struct Type {
    std::string_view names, right;
  };
  constexpr Type kTypes[] = {{"bell parametric param peq peak eq pk pq", "type = \"peaking\" is meant"},
                             {"hp hpf lowcut locut", "type = \"highpass\" is meant"},
                             {"lp lpf highcut hicut", "type = \"lowpass\" is meant"},
                             {"ls lsh bassshelf bass", "type = \"lowshelf\" is meant"},
                             {"hs hsh trebleshelf treble", "type = \"highshelf\" is meant"},
                             {"shelf shelving", "type = \"lowshelf\" or \"highshelf\" is meant"},
                             {"ap phase", "type = \"allpass\" is meant"},
                             {"bp bpf", "type = \"bandpass\" is meant"},
                             {"bandstop bandreject", "type = \"notch\" is meant"}};
  const std::string word = bare(text);
  for (const Type& type : kTypes)
    if (among(type.names, word)) return std::string(type.right);
  return {};
}

}  // namespace rackproof::rig
