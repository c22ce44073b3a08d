package cli

import "runtime/debug"

// Number is the version of all programs: the last released or, before its tag is
// set, the one that is being made. The packages' change log begins with it.
const Number = "0.2.0"

// build is set by the linker where a build has a version of its own, such as a
// package made between two releases.
var build string

// Release is what a program says with --version: the linker's word, or Number with
// the commit, where Go has noted one.
func Release() string {
	if build != "" {
		return build
	}
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return Number
	}
	return stamped(info.Settings)
}

// stamped is Number with the commit that the program was built from.
func stamped(settings []debug.BuildSetting) string {
	version, changed := Number, ""
	for _, s := range settings {
		switch {
		case s.Key == "vcs.revision" && len(s.Value) >= 10:
			version += "+g" + s.Value[:10]
		case s.Key == "vcs.modified" && s.Value == "true":
			changed = ".changed"
		}
	}
	return version + changed
}
