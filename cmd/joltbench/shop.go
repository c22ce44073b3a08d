package main

// shopCmd is what a shop with many vehicles does.
type shopCmd struct {
	Report shopReportCmd `cmd:"" help:"What changed, who stands out, what was watched, who is silent or filling up."`
	Serve  shopServeCmd  `cmd:"" help:"Run the shop's server: couriers deliver to it, vehicles enrol at it."`
	Intake shopIntakeCmd `cmd:"" help:"Take in from a cluster of servers, in place of serve."`
	Enrol  shopEnrolCmd  `cmd:"" help:"Make a one-time code that enrols a vehicle, or strike one off."`
}
