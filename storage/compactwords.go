package storage

import "slices"

// compactWords and compactShapes belong to the format: they grow at their ends
// only. A word or shape that is not listed costs some bytes and no more.
var compactWords = [...]string{
	// Kinds and classes.
	"release-lag", "hill-slip", "apply", "shift-with-clutch", "open-under-drive", "gearset-slip",
	"flare", "shudder", "jolt", "mark", "bus-fault", "role-stale",
	"normal", "late", "dragging", "stall", "asked", "unasked", "incomplete", "kept", "not-asked", "no-room",
	// Measures.
	"lag_s", "lag_min_s", "lag_max_s", "slip_before_rpm", "engine_low_rpm", "turbine_low_rpm", "command_before",
	"slip_peak_rpm", "from_gear", "to_gear", "shift_s", "command_before_kpa", "command_least_kpa", "dip_depth_kpa", "dip_s",
	"slip_mean_rpm", "slip_least_rpm", "command_hold_kpa", "command_mean_kpa", "duration_s", "apply_s", "apply_min_s", "apply_max_s",
	"slip_rate_peak_rpm_per_s", "engine_pulled_down_rpm", "lining_energy_j", "ratio_off_percent", "ratio_nominal",
	"flare_rpm", "frequency_hz", "slip_amplitude_rpm", "engine_amplitude_rpm", "silent_s", "frames_lost",
	// Instants.
	"command fell", "command rose", "speeds parted", "slip down", "gear changed",
	// Roles.
	"engine_speed", "turbine_speed", "output_speed", "vehicle_speed", "clutch_pressure_command", "clutch_pressure", "clutch_command",
	"lockup_state", "slip_command", "slip_reported", "gear", "shifting", "accelerator", "engine_torque", "brake",
	"fluid_temperature", "grade", "acceleration", "driver_mark", "supply_voltage",
	// Bands.
	"speed_kmh", "temperature_c", "1", "2", "3", "4", "5", "6", "7", "8", "9", "10",
	"0–20", "20–40", "40–60", "60–80", "80–100", "100–120", "120–140",
	// What led up to a release.
	"closed_before_s", "pedal_before_percent", "torque_before_nm", "turbine_at_fall_rpm", "braking_mps2", "brake_on", "stops_before", "grade_percent",
	// Kinds, classes and measures since.
	"slip-trend", "engine-died", "first_touch_kpa", "jerk_mps3", "unknown", "neutral", "reverse", "opened",
	"later_than_usual_min_s", "later_than_usual_max_s", "release_min_rpm", "release_max_rpm", "release_kmh",
	"standstill", "seen open", "last on its line", "pedal released", "brake on",
	// From here on a word takes two bytes.
	"command_late_s", "command_late_min_s", "command_late_max_s", "habit_releases", "usual_lag_s", "usual_dead_s", "usual_fall_rpm",
	"usual_fall_kmh", "fell_at_rpm", "fell_at_kmh", "lets_go_low_kpa", "lets_go_high_kpa", "parted_kpa", "pressure_before_kpa",
	"command usually falls", "pressure gone", "pressure began to fall", "first touch", "silent", "can0", "can1",
	"late-command", "command_before_percent", "usual_brake_to_command_s", "slip_tolerance_rpm", "command_mean_pct", "command_hold_pct",
	"pressure_mean_kpa", "pressure_hold_kpa", "torque_mean_nm", "torque_hold_nm", "speed_stood_s", "growing", "slip_per_day_rpm",
	"slip_first_rpm", "slip_last_rpm", "days", "points", "lockup-fraction", "slow", "slipping", "output_off_road_percent", "with-engine",
	"amplitude_rpm", "jolt_mps2", "after_nearest_s", "clutch-open", "clutch-unknown", "stood_s", "launch_capacity_share", "launches",
	"controllers-silent", "error-frames", "frames-lost", "bad-input", "down", "bus-off", "clock-jump", "error_frames", "lines", "jump_s", "stale",
	"not-available", "held_against_more_s", "slipped_before_s", "delay_s", "speeds usually part",
	"closed_with_kpa", "closed_with_percent", "rose_at_kmh", "usual_rise_kmh", "habit_applies",
	"command usually rises",
}

// compactShapes are key lists in the order in which they are written.
var compactShapes = [...][]string{
	{"Name", "Value"},
	{"Name", "At", "Early", "Late"},
	{"n", "start_us", "end_us", "from_us", "to_us", "evidence", "parts", "finding", "percentiles"},
	{"kind", "class", "drive", "severity", "measures", "instants", "missing_inputs", "codes", "context", "keep"},
	{"gear", "speed_kmh", "fluid_temperature_c", "accelerator_percent", "since_engine_start_s"},
	{"measure", "share_below", "n"},
	{"drive", "start_us", "end_us", "ended", "engine_on_s", "moving_s", "closed_s", "partial_s", "coast_s", "open_s", "unknown_s",
		"bands", "stops", "stops_observed", "opportunities", "roles", "frames", "bad_lines", "dropped", "error_frames", "asking"},
	{"of", "label", "from", "to", "closed_s", "partial_s", "coast_s", "open_s", "unknown_s"},
	{"kind", "seen", "observable", "hits"},
	{"role", "fresh_s", "samples", "not_ok", "period_s", "source_switches"},
	{"events_stored", "bytes_written", "evidence_bytes", "journal_bytes", "syncs", "files_made", "files_removed", "refused", "events_not_stored",
		"not_stored_from_us", "not_stored_to_us"},
	{"part", "blocks", "sum"},
	{"run", "part", "blocks", "sum"},
	{"stay", "before", "evidence"},
	{"files"},
	{"role", "fresh_s", "samples", "not_ok", "period_s", "source_switches", "now"},
	{"drive", "start_us", "end_us", "ended", "engine_on_s", "moving_s", "closed_s", "partial_s", "coast_s", "open_s", "unknown_s", "edge_s",
		"bands", "stops", "stops_observed", "release_trials", "opportunities", "roles", "frames", "bad_lines", "dropped", "error_frames", "asking"},
	{"releases", "recognised_later_0_5_s", "recognised_later_1_s", "recognised_later_2_s"},
	{"program", "label", "clock", "account_every_us", "look_back_us", "look_on_us", "ring_bytes", "quota_bytes", "free_floor_bytes"},
	{"Known", "Zero"},
	{"vehicle", "buses", "messages", "sources", "facts", "asks", "may_acknowledge", "stale_factor"},
	{"name", "match", "bus", "id", "extended", "source_address", "signals", "torque_reference"},
	{"name", "role", "source", "start", "length", "big_endian", "signed", "float", "scale", "offset", "raw_min", "raw_max",
		"percent_of_reference", "states", "mux"},
	// What a history is made of.
	{"measure", "band", "gear", "sketch"},
	{"gear", "deg_c", "turbine_rpm", "rpm_per_s", "brake_s", "kmh", "kmh_per_s", "parted_low_kpa", "parted_high_kpa", "dead_s", "lag_s"},
	{"kmh", "rpm", "seconds"},
	{"rpm_per_kmh", "spread", "seconds", "stretches", "kmh_min", "kmh_max", "wide"},
	{"rpm_per_kmh", "turbine_rpm", "fall_rpm_s", "step_rpm"},
	{"at_us", "slip_rpm"},
	// Where nothing is asked, and a line with what was driven on it.
	{"at_us", "silent"},
	{"bus", "since_us", "why"},
	{"rpm_per_kmh", "spread", "seconds", "stretches", "kmh_min", "kmh_max", "wide",
		"driven", "driven_kmh_min", "driven_kmh_max", "driven_wide", "coasts"},
	{"from_rpm_per_kmh", "to_rpm_per_kmh", "turbine_rpm", "count"},
	{"kmh", "pedal_percent", "held_s", "slipped_s"},
	// What the command's falls show.
	{"drive", "start_us", "end_us", "ended", "engine_on_s", "moving_s", "closed_s", "partial_s", "coast_s", "open_s", "unknown_s", "edge_s",
		"bands", "stops", "stops_observed", "release_trials", "command_trials", "opportunities", "roles", "frames", "bad_lines", "dropped",
		"error_frames", "asking"},
	{"falls", "recognised_later_1_s"},
	{"gear", "deg_c", "turbine_rpm", "rpm_per_s", "brake_s", "kmh", "kmh_per_s", "parted_low_kpa", "parted_high_kpa", "dead_s", "lag_s", "overdue_s"},
	{"kmh", "pedal_percent", "held_s", "slipped_s", "slip_rpm"},
	{"rpm_per_kmh", "turbine_rpm", "fall_rpm_s", "step_rpm", "late"},
	// What the command's rises show.
	{"drive", "start_us", "end_us", "ended", "engine_on_s", "moving_s", "closed_s", "partial_s", "coast_s", "open_s", "unknown_s", "edge_s",
		"bands", "stops", "stops_observed", "release_trials", "command_trials", "rise_trials", "opportunities", "roles", "frames", "bad_lines", "dropped",
		"error_frames", "asking"},
	{"gear", "deg_c", "kmh", "kmh_per_s", "pedal_percent"},
	{"rpm_per_kmh", "fall_rpm_s", "held", "behind", "late"},
}

// wordNumber finds a word's number in the list.
func wordNumber(s string) (int, bool) {
	i := slices.Index(compactWords[:], s)
	return i, i >= 0
}
