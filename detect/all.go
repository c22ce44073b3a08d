package detect

import (
	"joltwatch/detect/segment"
	"joltwatch/detect/state"
)

// All are the detectors, in the order in which they take a row and stand in
// tables. To add one: write its file, add it here and to Settings, and give it
// its words in storage/review, its truth in the simulator and its row in the
// scorer; tests say what is left out.
var All = []*Spec{releaseSpec, hillSpec, trendSpec, lockupSpec, applySpec, shiftSpec, openSpec, gearsetSpec, flareSpec,
	shudderSpec, joltSpec, diedSpec, markSpec, busSpec, staleSpec}

// Settings are the thresholds of the detectors, one table each in the vehicle
// file: [detect.release_lag] and so on. Their specs list unit, range, default
// and reason of each.
type Settings struct {
	Clutch         state.ClutchSettings `toml:"clutch"`
	Drive          segment.Settings     `toml:"drive"`
	ReleaseLag     ReleaseLagSettings   `toml:"release_lag"`
	HillSlip       HillSlipSettings     `toml:"hill_slip"`
	SlipTrend      SlipTrendSettings    `toml:"slip_trend"`
	Apply          ApplySettings        `toml:"apply"`
	Shift          ShiftSettings        `toml:"shift_with_clutch"`
	OpenUnderDrive OpenSettings         `toml:"open_under_drive"`
	GearsetSlip    GearsetSlipSettings  `toml:"gearset_slip"`
	Flare          FlareSettings        `toml:"flare"`
	Shudder        ShudderSettings      `toml:"shudder"`
	Jolt           JoltSettings         `toml:"jolt"`
	EngineDied     EngineDiedSettings   `toml:"engine_died"`
	Mark           MarkSettings         `toml:"mark"`
	BusFault       BusFaultSettings     `toml:"bus_fault"`
	RoleStale      RoleStaleSettings    `toml:"role_stale"`
}
