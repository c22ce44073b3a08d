package main

// shopCmd is what a shop with many vehicles does.
type shopCmd struct {
	Report shopReportCmd `cmd:"" help:"What changed, who stands out, what was watched, who is silent or filling up."`
}
