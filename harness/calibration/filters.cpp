#include "harness/calibration/filters.hpp"

#include <fmt/format.h>

namespace rackproof {

dsp::FilterSettings settings_of(const rig::Filter& filter, dsp::Pass pass) {
  constexpr auto alignment = [](rig::Alignment a) {
    switch (a) {
      case rig::Alignment::butterworth:
        return dsp::Alignment::butterworth;
      case rig::Alignment::bessel:
        return dsp::Alignment::bessel;
      case rig::Alignment::linkwitz_riley:
        break;
    }
    return dsp::Alignment::linkwitz_riley;
  };
  return {alignment(filter.alignment), pass, filter.slope_db_per_oct / 6, filter.at_hz};
}

dsp::EqSettings settings_of(const rig::EqBand& band) {
  constexpr auto type = [](rig::EqType t) {
    switch (t) {
      case rig::EqType::lowpass:
        return dsp::EqType::lowpass;
      case rig::EqType::highpass:
        return dsp::EqType::highpass;
      case rig::EqType::bandpass:
        return dsp::EqType::bandpass;
      case rig::EqType::notch:
        return dsp::EqType::notch;
      case rig::EqType::allpass:
        return dsp::EqType::allpass;
      case rig::EqType::lowshelf:
        return dsp::EqType::lowshelf;
      case rig::EqType::highshelf:
        return dsp::EqType::highshelf;
      case rig::EqType::peaking:
        break;
    }
    return dsp::EqType::peaking;
  };
  constexpr auto width = [](rig::EqWidth w) {
    switch (w) {
      case rig::EqWidth::bandwidth_oct:
        return dsp::EqWidth::bandwidth_oct;
      case rig::EqWidth::shelf_slope:
        return dsp::EqWidth::shelf_slope;
      case rig::EqWidth::q:
        break;
    }
    return dsp::EqWidth::q;
  };
  return {type(band.type), band.at_hz, band.gain_db, width(band.width), band.width_value};
}

dsp::SectionList sections_of(const rig::Filter& filter, dsp::Pass pass, double sample_rate_hz) {
  dsp::SectionList list;
  if (!dsp::design(settings_of(filter, pass), sample_rate_hz, list)) {
    rig::refuse(filter.source, fmt::format("{:g} Hz at {} dB/oct", filter.at_hz, filter.slope_db_per_oct),
                fmt::format("a filter that can be made at a sample rate of {:g} Hz", sample_rate_hz));
  }
  return list;
}

dsp::Section section_of(const rig::EqBand& band, double sample_rate_hz) {
  dsp::Section section;
  if (!dsp::design(settings_of(band), sample_rate_hz, section)) {
    rig::refuse(band.source, fmt::format("{:g} Hz, {:+g} dB, width {:g}", band.at_hz, band.gain_db, band.width_value),
                fmt::format("an equaliser that can be made at a sample rate of {:g} Hz", sample_rate_hz));
  }
  return section;
}

dsp::CrossoverSum sum_of(const rig::Point& point, bool same_polarity, double sample_rate_hz) {
  dsp::CrossoverSum sum;
  const dsp::CrossoverSettings settings{settings_of(point.low, dsp::Pass::low),
                                        settings_of(point.high, dsp::Pass::high), same_polarity};
  if (!dsp::design(settings, sample_rate_hz, sum)) {
    rig::refuse(point.source, fmt::format("{:g} and {:g} Hz", point.low.at_hz, point.high.at_hz),
                fmt::format("a point that can be made at a sample rate of {:g} Hz", sample_rate_hz));
  }
  return sum;
}

}  // namespace rackproof
