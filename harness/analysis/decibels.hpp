#pragma once
/// Ratios, volts and decibels. Levels of amplitudes throughout: 20 log10. A level of nothing is -infinity.
#include <cmath>
namespace rackproof::analysis {

inline double db_from_ratio(double ratio) { return 20.0 * std::log10(std::abs(ratio)); }
inline double db_from_power(double power_ratio) { return 10.0 * std::log10(power_ratio); }
inline double ratio_from_db(double db) { return std::pow(10.0, db / 20.0); }
inline double power_from_db(double db) { return std::pow(10.0, db / 10.0); }

/// 20 log10(e): a ratio of 1 + x is off by this times x, for small x.
inline constexpr double kDecibelsPerNeper = 8.685889638065037;

/// 0 dBu: the voltage of 1 mW in 600 ohm, sqrt(0.6) V RMS.
inline const double kVoltsRmsOf0Dbu = std::sqrt(0.6);
inline double dbu_from_volts(double volts_rms) { return db_from_ratio(volts_rms / kVoltsRmsOf0Dbu); }
inline double volts_from_dbu(double dbu) { return kVoltsRmsOf0Dbu * ratio_from_db(dbu); }
inline double dbv_from_volts(double volts_rms) { return db_from_ratio(volts_rms); }
inline double volts_from_dbv(double dbv) { return ratio_from_db(dbv); }

/// RMS level as AES17 defines dBFS: a sine whose peaks reach full scale (1.0) reads 0, a square wave +3.01.
inline double dbfs_from_rms(double rms) { return db_from_ratio(rms * std::sqrt(2.0)); }
inline double rms_from_dbfs(double dbfs) { return ratio_from_db(dbfs) / std::sqrt(2.0); }

}  // namespace rackproof::analysis
