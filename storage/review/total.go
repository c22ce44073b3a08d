package review

import (
	"cmp"
	"slices"
	"strings"

	"joltwatch/detect"
	"joltwatch/stream"
)

// Total is the account of the stay: the sum over its drives.
type Total struct {
	Drives    int
	Unended   int // drives whose end is not on file
	EngineOnS float64
	MovingS   float64
	ClosedS   float64
	PartialS  float64
	CoastS    float64
	OpenS     float64
	UnknownS  float64
	EdgeS     float64

	Stops, StopsObserved int
	// Trials are the self-tests of the releases.
	Trials detect.ReleaseTrials
	// Commands are those of the falls of the command.
	Commands detect.CommandTrials
	// Rises are those of its first rises as the vehicle pulled away.
	Rises         detect.CommandTrials
	Opportunities []detect.Opportunity
	Bands         []detect.Band
	Roles         []detect.RoleCover

	Frames, BadLines, Dropped, Errors uint64

	// Cannot says of each kind that the signals of the stay cannot show what
	// its detector lacks.
	Cannot map[string]string
}

// LockupFraction is the share of moving time in partial, closed or coast,
// 0…1, of the time in which the clutch state was known; ok is false where none
// was.
func (t *Total) LockupFraction() (share float64, ok bool) {
	on := t.ClosedS + t.PartialS + t.CoastS
	if known := on + t.OpenS; known > 0 {
		return on / known, true
	}
	return 0, false
}

// cannot asks each detector what it can tell with the signals that came.
func (s *Stay) cannot(t *Total) map[string]string {
	set := s.SettingsOf(0)
	if n := len(s.Drives); n > 0 {
		set = s.SettingsOf(s.Drives[n-1].Boot)
	}
	in := detect.Inputs{Ratios: len(s.Ratios) > 0 || s.Plan != nil && len(s.Plan.Facts.Ratios) > 0, Set: &set}
	for _, r := range t.Roles {
		if role, ok := stream.ParseRole(r.Role); ok && r.Samples > r.NotOK {
			in.Period[role] = r.PeriodS
		}
	}
	list := map[string]string{}
	for _, a := range detect.Abilities(&in) {
		if !a.Can {
			list[a.Kind] = a.Says
		}
	}
	return list
}

// Total sums up the drives. Kinds, bands and roles keep the order in which
// they first appear.
func (s *Stay) Total() Total {
	var t Total
	for i := range s.Drives {
		a := &s.Drives[i].Account
		t.Drives++
		if !a.Ended {
			t.Unended++
		}
		t.EngineOnS += a.EngineOnS
		t.MovingS += a.MovingS
		t.ClosedS += a.ClosedS
		t.PartialS += a.PartialS
		t.CoastS += a.CoastS
		t.OpenS += a.OpenS
		t.UnknownS += a.UnknownS
		t.EdgeS += a.EdgeS
		t.Stops += a.Stops
		t.StopsObserved += a.StopsObserved
		t.Trials.Add(a.ReleaseTrials)
		t.Commands.Add(a.CommandTrials)
		t.Rises.Add(a.RiseTrials)
		t.Frames += a.Frames
		t.BadLines += a.BadLines
		t.Dropped += a.Dropped
		t.Errors += a.Errors
		for _, o := range a.Opportunities {
			if x := among(&t.Opportunities, o, func(x *detect.Opportunity) bool { return x.Kind == o.Kind }); x != nil {
				x.Seen += o.Seen
				x.Observable += o.Observable
				x.Hits += o.Hits
			}
		}
		for _, b := range a.Bands {
			if x := among(&t.Bands, b, func(x *detect.Band) bool { return x.Of == b.Of && x.Label == b.Label }); x != nil {
				x.Closed += b.Closed
				x.Partial += b.Partial
				x.Coast += b.Coast
				x.Open += b.Open
				x.Unknown += b.Unknown
			}
		}
		for _, r := range a.Roles {
			if x := among(&t.Roles, r, func(x *detect.RoleCover) bool { return x.Role == r.Role }); x != nil {
				x.FreshS += r.FreshS
				x.Samples += r.Samples
				x.NotOK += r.NotOK
				x.Switched += r.Switched
				x.PeriodS = max(x.PeriodS, r.PeriodS)
			}
		}
	}
	t.Cannot = s.cannot(&t)
	slices.SortStableFunc(t.Bands, func(a, b detect.Band) int {
		if c := strings.Compare(a.Of, b.Of); c != 0 {
			return c
		}
		return cmp.Compare(a.From, b.From)
	})
	return t
}

// among is the one in a list that is the same as x; nil, and x is put at its end, where
// there is none.
func among[T any](list *[]T, x T, same func(*T) bool) *T {
	for i := range *list {
		if same(&(*list)[i]) {
			return &(*list)[i]
		}
	}
	*list = append(*list, x)
	return nil
}

// Count is how many events there were of a kind and class.
type Count struct {
	Kind  string
	Class detect.Class
	N     int
	// Severity is that of the most severe.
	Severity float64
	// First is the number of the most severe event.
	First int
}

// Counts counts the events by kind and class, the most severe first.
func (s *Stay) Counts() []Count {
	var list []Count
	for i := range s.Events {
		e := &s.Events[i]
		j := slices.IndexFunc(list, func(c Count) bool { return c.Kind == e.Kind && c.Class == e.Class })
		if j < 0 {
			list = append(list, Count{Kind: e.Kind, Class: e.Class, N: 1, Severity: e.Severity, First: e.Number})
			continue
		}
		list[j].N++
		if e.Severity > list[j].Severity {
			list[j].Severity, list[j].First = e.Severity, e.Number
		}
	}
	slices.SortStableFunc(list, func(a, b Count) int {
		if c := cmp.Compare(b.Severity, a.Severity); c != 0 {
			return c
		}
		return cmp.Compare(b.N, a.N)
	})
	return list
}

// Unmapped lists the roles that the vehicle file mapped to no signal, by what
// they would add.
func (s *Stay) Unmapped() []stream.Role {
	if s.Plan == nil {
		return nil
	}
	var list []stream.Role
	for r := stream.Role(0); r < stream.NumRoles; r++ {
		if len(s.Plan.Sources[r.String()]) == 0 {
			list = append(list, r)
		}
	}
	return list
}
