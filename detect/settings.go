package detect

// Settings are the thresholds of the detectors. Each can be overridden in the
// [detect] table of a vehicle file.
type Settings struct {
	Clutch     ClutchSettings     `toml:"clutch"`
	ReleaseLag ReleaseLagSettings `toml:"release_lag"`
	HillSlip   HillSlipSettings   `toml:"hill_slip"`
	Shudder    ShudderSettings    `toml:"shudder"`
}

// ClutchSettings say how the clutch's state is read off slip and command.
type ClutchSettings struct {
	// ClosedRPM is the largest slip of a closed clutch, rpm. Speed sensors
	// and alignment leave a few rpm on a clutch that does not slip; regulated
	// slip begins at about 20 (common practice, no source).
	ClosedRPM float64 `toml:"closed_rpm"`
	// PartialRPM is the largest slip that counts as regulated, rpm, where no
	// command is known. An open converter under load slips more (common
	// practice, no source).
	PartialRPM float64 `toml:"partial_rpm"`
	// ReleaseKPa, ReleasePercent are the command below which the clutch is
	// told to be open. Converter clutches begin to carry torque at about
	// 50…100 kPa (common practice, no source).
	ReleaseKPa     float64 `toml:"release_kpa"`
	ReleasePercent float64 `toml:"release_percent"`
	// DwellS is how long a state must last to be taken over, seconds.
	DwellS float64 `toml:"dwell_s"`
}

// ReleaseLagSettings judge a release.
type ReleaseLagSettings struct {
	// LimitS is the lag above which a release is late, seconds. A sound
	// clutch lets go within 0.1 to 0.3 s (common practice, no source).
	LimitS float64 `toml:"limit_s"`
	// PartRPM is the change of slip that proves that the speeds have parted,
	// rpm: well above noise and alignment, well below what an open converter
	// shows in a stop.
	PartRPM float64 `toml:"part_rpm"`
	// WindowRPM is the change of turbine speed that is needed to tell that
	// the speeds still move together, rpm.
	WindowRPM float64 `toml:"window_rpm"`
	// GiveUpS ends the wait for the speeds to part, seconds.
	GiveUpS float64 `toml:"give_up_s"`
	// DragShare is the share of idle speed below which a coupled turbine
	// pulls the engine down. A governor lets idle sag by a tenth on its own
	// (common practice, no source).
	DragShare float64 `toml:"drag_share"`
}

// HillSlipSettings find slip held under load.
type HillSlipSettings struct {
	MinS   float64 `toml:"min_s"`   // shortest, seconds
	MinRPM float64 `toml:"min_rpm"` // smallest mean, rpm
	MinKmh float64 `toml:"min_kmh"` // road speed, km/h
	// MinAccelerator is the pedal that counts as load, %.
	MinAccelerator float64 `toml:"min_accelerator"`
	// AskedShare is the share of the usual holding command below which slip
	// counts as asked for.
	AskedShare float64 `toml:"asked_share"`
}

// ShudderSettings bound the band looked for.
type ShudderSettings struct {
	FromHz float64 `toml:"from_hz"`
	ToHz   float64 `toml:"to_hz"`
}

// Band returns the band in Hz.
func (s ShudderSettings) Band() (from, to float64) { return s.FromHz, s.ToHz }

// DefaultSettings returns the settings that hold where a vehicle file says
// nothing.
func DefaultSettings() Settings {
	return Settings{
		Clutch:     ClutchSettings{ClosedRPM: 20, PartialRPM: 150, ReleaseKPa: 60, ReleasePercent: 20, DwellS: 0.2},
		ReleaseLag: ReleaseLagSettings{LimitS: 0.5, PartRPM: 30, WindowRPM: 40, GiveUpS: 8, DragShare: 0.85},
		HillSlip:   HillSlipSettings{MinS: 3, MinRPM: 35, MinKmh: 45, MinAccelerator: 8, AskedShare: 0.92},
		Shudder:    ShudderSettings{FromHz: 6, ToHz: 25},
	}
}
