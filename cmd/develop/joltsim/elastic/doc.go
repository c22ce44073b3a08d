// Package elastic simulates a second family of invented vehicles, with physics
// of its own and nothing of package drive's: a polynomial converter, a gearset
// that is a kinematic constraint with a ratio that moves through a shift, a
// shaft that twists, tyres that slip, a clutch solved exactly as stuck or
// slipping, and a measuring chain that filters, delays, cuts off and rounds.
// It shares with package drive only what is no physics: the layout of frames,
// the form of the truth and the files that go with them.
//
// One seed gives one drive on one kind of machine.
package elastic
