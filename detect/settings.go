package detect

import "joltwatch/detect/coupling"

// Settings are the thresholds of the detectors, one table each in the vehicle
// file: [detect.release_lag] and so on. Where a default is common practice
// without a source it is marked (cp); the others are choices, justified beside
// them. A value is in the unit that its name ends in.
type Settings struct {
	Clutch         ClutchSettings      `toml:"clutch"`
	Drive          DriveSettings       `toml:"drive"`
	ReleaseLag     ReleaseLagSettings  `toml:"release_lag"`
	HillSlip       HillSlipSettings    `toml:"hill_slip"`
	Apply          ApplySettings       `toml:"apply"`
	Shift          ShiftSettings       `toml:"shift_with_clutch"`
	OpenUnderDrive OpenSettings        `toml:"open_under_drive"`
	GearsetSlip    GearsetSlipSettings `toml:"gearset_slip"`
	Flare          FlareSettings       `toml:"flare"`
	Shudder        ShudderSettings     `toml:"shudder"`
	Jolt           JoltSettings        `toml:"jolt"`
	Mark           MarkSettings        `toml:"mark"`
	BusFault       BusFaultSettings    `toml:"bus_fault"`
	RoleStale      RoleStaleSettings   `toml:"role_stale"`
}

// ClutchSettings judge the state of the clutch.
type ClutchSettings struct {
	// ReleaseLevel and ApplyLevel are shares of the highest command seen:
	// below the one the clutch is told to open, above the other to close. In
	// a light shift the command dips to about 75 % without opening, and a
	// slipping clutch is held at about 40 % (cp); an open one gets little.
	ReleaseLevel float64 `toml:"release_level"`
	ApplyLevel   float64 `toml:"apply_level"`
	// FloorKPa is a pressure command that is nothing, whatever the highest
	// is: it does not move a piston against its seals (cp). Where the level
	// above is wrong for a vehicle, this sets it.
	FloorKPa float64 `toml:"floor_kpa"`
	// ClosedRPM is the slip up to which a clutch counts as closed: speed
	// sensors and interpolation leave 2-4 rpm; regulated slip begins at about
	// 20 (cp).
	ClosedRPM float64 `toml:"closed_rpm"`
	// OpenRPM is the slip above which, without any command known, the clutch
	// is open: regulated slip on a steep grade reaches 300 (cp).
	OpenRPM float64 `toml:"open_rpm"`
	// DwellS is how long a state must last before it counts, so that noise
	// at a limit does not make states.
	DwellS float64 `toml:"dwell_s"`
	// CoupledRangeRPM is how far the turbine must have moved before two
	// speeds can be said to move together, and CoupledSpreadRPM how far the
	// slip may wander meanwhile: sensor noise and quantisation are 1-3 rpm;
	// CoupledSpread adds a share of the turbine's movement, since speeds that
	// part do so by most of it.
	CoupledRangeRPM  float64 `toml:"coupled_range_rpm"`
	CoupledSpreadRPM float64 `toml:"coupled_spread_rpm"`
	CoupledSpread    float64 `toml:"coupled_spread"`
	// CoupledWindowS is the window of that judgement: the turbine moves 50
	// rpm in it in a gentle stop (cp: 100-500 rpm/s).
	CoupledWindowS float64 `toml:"coupled_window_s"`
}

// coupling are the limits of the coupling package.
func (s *Settings) coupling() coupling.Limits {
	return coupling.Limits{PartedRPM: s.ReleaseLag.PartedRPM, WatchS: s.ReleaseLag.WatchS,
		RangeRPM: s.Clutch.CoupledRangeRPM, SpreadRPM: s.Clutch.CoupledSpreadRPM, Spread: s.Clutch.CoupledSpread,
		DeadRPM: 0.6 * s.Drive.RunningRPM}
}

// DriveSettings cut the input into drives and stops.
type DriveSettings struct {
	// RunningRPM is the engine speed from which it runs by itself; starters
	// turn engines at 150-300 rpm (cp).
	RunningRPM float64 `toml:"running_rpm"`
	// MovingKmh is the road speed from which the vehicle moves; most wheel
	// sensors know nothing below (cp).
	MovingKmh float64 `toml:"moving_kmh"`
	// EndS is how long the engine must be off, or unheard of, before the
	// drive is over; StopStartS the same for an engine that stops itself.
	EndS       float64 `toml:"end_s"`
	StopStartS float64 `toml:"stop_start_s"`
	// AccountS is how often the running account is handed on.
	AccountS float64 `toml:"account_s"`
}

// ReleaseLagSettings judge releases.
type ReleaseLagSettings struct {
	// LimitS is the lag from which a release is late: a healthy clutch lets
	// go in 0.1-0.3 s warm (cp). With 0.4 s, ordinary releases of the
	// simulated vehicles begin to count.
	LimitS float64 `toml:"limit_s"`
	// RelativeFactor times the vehicle's own median lag at this temperature
	// is late too, if it is also RelativeS beyond it and the median rests on
	// RelativeCount releases; 0 switches this limit off.
	RelativeFactor float64 `toml:"relative_factor"`
	RelativeS      float64 `toml:"relative_s"`
	RelativeCount  float64 `toml:"relative_count"`
	// PartedRPM is how far slip must leave what it was before the speeds
	// have parted: above noise and interpolation error, small against the
	// 100 rpm and more that follow at once.
	PartedRPM float64 `toml:"parted_rpm"`
	// DragSag is the share of idle speed by which a turbine that is still
	// coupled must have drawn the engine below idle before it drags: a
	// governor lets idle sag by up to a tenth by itself (cp).
	DragSag float64 `toml:"drag_sag"`
	// DragAfterS is the lag from which that counts where the command is
	// known: in a hard stop the turbine falls 500 rpm/s, 50 rpm in the 0.1 s
	// that the oil needs anyhow.
	DragAfterS float64 `toml:"drag_after_s"`
	// WatchS is how long a release is watched at most.
	WatchS float64 `toml:"watch_s"`
}

// HillSlipSettings judge slip held on the road.
type HillSlipSettings struct {
	// MinRPM is the least mean slip that counts as held, above sensor noise.
	MinRPM float64 `toml:"min_rpm"`
	// MinS is how long it must be held: applies and shifts are over sooner.
	MinS float64 `toml:"min_s"`
	// MinKmh is the road speed from which it counts.
	MinKmh float64 `toml:"min_kmh"`
	// MinAcceleratorPct is the pedal from which there is load.
	MinAcceleratorPct float64 `toml:"min_accelerator_pct"`
	// SettleS is left out after a gear change or apply.
	SettleS float64 `toml:"settle_s"`
	// AskedDip is the share by which the command must be below the one that
	// held the clutch closed before slip was asked for: commands are steady
	// to about one percent while they hold (cp).
	AskedDip float64 `toml:"asked_dip"`
	// UnaskedRPM and UnaskedS are the least slip and time that count as
	// unasked: it takes the clutch some tenths of a second to close after
	// the command has risen, and the controller may leave a little slip for
	// a few seconds at an unchanged command. A clutch that cannot carry the
	// torque slips as long as the torque is asked of it.
	UnaskedRPM float64 `toml:"unasked_rpm"`
	UnaskedS   float64 `toml:"unasked_s"`
}

// ApplySettings judge applies.
type ApplySettings struct {
	// DoneRPM is the slip at which an apply is done: what is then left is
	// usually regulated on purpose.
	DoneRPM float64 `toml:"done_rpm"`
	// SlowS is the time from which an apply is slow; a usual one takes
	// 0.3-1.5 s (cp).
	SlowS float64 `toml:"slow_s"`
	// GiveUpS is when an apply that has not come to its end is given up.
	GiveUpS float64 `toml:"give_up_s"`
}

// ShiftSettings judge shifts with the clutch on.
type ShiftSettings struct {
	// BeforeS and AfterS bound the shift where only the gear is known.
	BeforeS float64 `toml:"before_s"`
	AfterS  float64 `toml:"after_s"`
	// OpenedRPM is the slip that a command below the release level must have
	// led to before the clutch has opened in the shift: a short dip lets no
	// oil out.
	OpenedRPM float64 `toml:"opened_rpm"`
}

// OpenSettings judge a clutch that opens under drive with the gear held.
type OpenSettings struct {
	// MinRPM of slip: an open converter under moderate pedal runs 100-800
	// rpm of slip (cp).
	MinRPM float64 `toml:"min_rpm"`
	MinS   float64 `toml:"min_s"`
	// MinAcceleratorPct is the pedal that makes it under drive.
	MinAcceleratorPct float64 `toml:"min_accelerator_pct"`
	MinKmh            float64 `toml:"min_kmh"`
}

// GearsetSlipSettings judge the ratio seen.
type GearsetSlipSettings struct {
	// MinRPM and MinShare: the turbine is off what output speed and ratio
	// give by more than both. Ratios are stated to two or three digits.
	MinRPM   float64 `toml:"min_rpm"`
	MinShare float64 `toml:"min_share"`
	MinS     float64 `toml:"min_s"`
	// SettleS is left out after shifts and changes of the selector.
	SettleS float64 `toml:"settle_s"`
}

// FlareSettings judge the engine's running up in an upshift.
type FlareSettings struct {
	// MinRPM of turbine speed above what the old gear gives.
	MinRPM float64 `toml:"min_rpm"`
}

// ShudderSettings judge narrow-band oscillation.
type ShudderSettings struct {
	// FromHz and ToHz bound the band: self-excited stick-slip of the lining
	// shakes the driveline between about 3 and 20 Hz (cp).
	FromHz float64 `toml:"from_hz"`
	ToHz   float64 `toml:"to_hz"`
	// MinRPM is the least amplitude (half of peak to peak), and Share the
	// least share of the oscillation that lies in one narrow band.
	MinRPM float64 `toml:"min_rpm"`
	Share  float64 `toml:"share"`
	// MinS is how long it must go on.
	MinS float64 `toml:"min_s"`
}

// Band returns the lowest and highest frequency looked for, in Hz.
func (s ShudderSettings) Band() (low, high float64) { return s.FromHz, s.ToHz }

// JoltSettings judge bursts of acceleration.
type JoltSettings struct {
	// MinMps2 is how far acceleration must leave, for a moment, what it is
	// before and after; passengers notice about 0.5-1 m/s² (cp), but at
	// 1.2 ordinary driving of the simulated vehicles has such bursts.
	MinMps2 float64 `toml:"min_mps2"`
	// LowKmh: below, the end of a stop is a jerk of its own.
	LowKmh float64 `toml:"low_kmh"`
	// NearS is how far the clutch event may be that the jolt is tied to.
	NearS float64 `toml:"near_s"`
}

// MarkSettings judge the driver's button.
type MarkSettings struct {
	// QuietS is how long further presses count as the same.
	QuietS float64 `toml:"quiet_s"`
}

// BusFaultSettings judge the bus.
type BusFaultSettings struct {
	// SilentS without any mapped value, with the engine running before and
	// after, is a silent bus.
	SilentS float64 `toml:"silent_s"`
	// ErrorFrames within a minute are a fault; single ones are ordinary.
	ErrorFrames float64 `toml:"error_frames"`
}

// RoleStaleSettings judge roles that fall silent.
type RoleStaleSettings struct {
	// MinS is how long a role must be unknown that was known before.
	MinS float64 `toml:"min_s"`
}

// DefaultSettings returns the documented defaults.
func DefaultSettings() Settings {
	return Settings{
		Clutch: ClutchSettings{ReleaseLevel: 0.2, ApplyLevel: 0.28, FloorKPa: 30, ClosedRPM: 10, OpenRPM: 350, DwellS: 0.1,
			CoupledRangeRPM: 25, CoupledSpreadRPM: 4, CoupledSpread: 0.06, CoupledWindowS: 0.5},
		Drive: DriveSettings{RunningRPM: 350, MovingKmh: 2, EndS: 4, StopStartS: 300, AccountS: 10},
		ReleaseLag: ReleaseLagSettings{LimitS: 0.6, RelativeFactor: 3.5, RelativeS: 0.25, RelativeCount: 30,
			PartedRPM: 10, DragSag: 0.12, DragAfterS: 0.3, WatchS: 25},
		HillSlip: HillSlipSettings{MinRPM: 15, MinS: 3, MinKmh: 15, MinAcceleratorPct: 3, SettleS: 1,
			AskedDip: 0.05, UnaskedRPM: 15, UnaskedS: 5},
		Apply:          ApplySettings{DoneRPM: 55, SlowS: 3.75, GiveUpS: 8},
		Shift:          ShiftSettings{BeforeS: 0.6, AfterS: 0.6, OpenedRPM: 60},
		OpenUnderDrive: OpenSettings{MinRPM: 80, MinS: 0.4, MinAcceleratorPct: 10, MinKmh: 10},
		GearsetSlip:    GearsetSlipSettings{MinRPM: 30, MinShare: 0.02, MinS: 1, SettleS: 1.5},
		Flare:          FlareSettings{MinRPM: 60},
		Shudder:        ShudderSettings{FromHz: 3, ToHz: 20, MinRPM: 4, Share: 0.7, MinS: 2},
		Jolt:           JoltSettings{MinMps2: 1.9, LowKmh: 4, NearS: 2},
		Mark:           MarkSettings{QuietS: 2},
		BusFault:       BusFaultSettings{SilentS: 3, ErrorFrames: 10},
		RoleStale:      RoleStaleSettings{MinS: 2},
	}
}
