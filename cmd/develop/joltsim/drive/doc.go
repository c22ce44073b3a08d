// Package drive simulates drives of invented vehicles: engine, torque
// converter with capacity factor and torque ratio over speed ratio (SAE J643),
// converter clutch with pressure lag and faults, gearset, vehicle, controller,
// driver, sensors and CAN layout. It writes the traffic, and apart from it the
// truth. One seed gives one drive, the same on every machine.
//
// In a test:
//
//	sc := drive.Scenario{Name: "late", Vehicle: "van", Seed: 1, Steps: []drive.Step{
//		{Do: "start", ForS: 3}, {Do: "drive", ToKmh: 50, ForS: 30}, {Do: "stop", ForS: 5},
//	}, Faults: []drive.Fault{{Kind: "release-late", Value: 1.0}}}
//	r, err := drive.Run(sc)
//	// r.Frames  the traffic, []bus.Frame, with notices
//	// r.Log     the same as a text log
//	// r.DBC[0], r.DBCNames[0], r.VehicleTOML
//	// r.Truth   releases, applies, shifts, slips, states, drives
//
// For long drives use New and Next, which hold one second at a time, and set
// NoTrace and NoLog.
//
// Library and Normal give the scenarios that detectors are chosen with (Tuning)
// and measured on (Scoring); the two share neither vehicles nor seeds. Try a
// threshold with
//
//	go run ./cmd/develop/joltsim score --tuning --hours 10 --notes
//
// Week gives a long stay with key cycles and trouble. Scramble gives a drive
// whose layout nobody knows, with 60 to 120 identifiers of other traffic, and
// Recipe the two minutes of driving that make signals easiest to find:
//
//	r, err := drive.Scramble(drive.Recipe("minibus", seed), seed, true)
//	// r.Layout  the truth of where everything is
package drive
