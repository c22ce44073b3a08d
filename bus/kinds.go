package bus

import "strings"

// SourceKind is a kind of live source, as a vehicle file names it.
type SourceKind struct {
	// Name stands before the colon, Device says what stands after it.
	Name, Device string
	// Takes says what a bus of this kind may be told to do.
	Takes SourceTakes
}

// SourceTakes are abilities of a kind of source.
type SourceTakes uint8

const (
	// TakesRequests: values can be asked for through it.
	TakesRequests SourceTakes = 1 << iota
	// TakesCAN: it is on a CAN bus, which it might acknowledge frames on.
	TakesCAN
	// TakesChoice: it either asks or listens, never both.
	TakesChoice
)

// SourceKinds are all kinds, one a row.
func SourceKinds() []SourceKind {
	return []SourceKind{
		{"socketcan", "INTERFACE", TakesRequests | TakesCAN},
		{"serial", "DEVICE", TakesRequests | TakesCAN},
		{"interpreter", "DEVICE", TakesRequests | TakesCAN | TakesChoice},
		{"records", "DEVICE", 0},
		{"accelerometer", "DEVICE", 0},
		{"button", "DEVICE", 0},
	}
}

// FindSourceKind takes a source apart into its kind and its device.
func FindSourceKind(source string) (kind SourceKind, device string, ok bool) {
	name, device, ok := strings.Cut(source, ":")
	for _, k := range SourceKinds() {
		if ok && k.Name == name && device != "" {
			return k, device, true
		}
	}
	return SourceKind{}, "", false
}

// SourceKindsText lists the kinds that have all the abilities, for messages.
func SourceKindsText(takes SourceTakes) string {
	var all []string
	for _, k := range SourceKinds() {
		if k.Takes&takes == takes {
			all = append(all, k.Name+":"+k.Device)
		}
	}
	if n := len(all) - 1; n > 0 {
		return strings.Join(all[:n], ", ") + " or " + all[n]
	}
	return strings.Join(all, "")
}
