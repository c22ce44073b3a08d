package main

import (
	"cmp"
	"fmt"
	"slices"

	"joltwatch/cmd/develop/joltsim/drive"
	"joltwatch/stream"
	"joltwatch/stream/find"
)

// mostWrong is the share of claims that may be wrong.
const mostWrong = 0.01

// claims counts, for one kind of recording, what the search called found.
type claims struct {
	made, wrong int
	said        []string
}

// unlikes runs the search on recordings in which not all is there to be found:
// it has to claim nothing that is not so. It returns whether it did.
func unlikes(from uint64, seeds int, verbose bool) (bool, error) {
	kinds := drive.Unlike()
	got, err := eachOf(len(kinds)*seeds, func(i int) (claims, error) {
		k := i % seeds
		return unlike(kinds[i/seeds], from+uint64(k), k%2 == 0)
	})
	if err != nil {
		return false, err
	}
	byKind := map[string]claims{}
	for i, x := range got {
		c := byKind[kinds[i/seeds]]
		byKind[kinds[i/seeds]] = claims{c.made + x.made, c.wrong + x.wrong, append(c.said, x.said...)}
	}
	slices.SortStableFunc(kinds, func(a, b string) int { return cmp.Compare(byKind[b].wrong, byKind[a].wrong) })
	fmt.Printf("\nRecordings in which not everything is there to be found:\n\n| kind | recordings | claims | wrong |\n|---|---|---|---|\n")
	made, wrong := 0, 0
	for _, k := range kinds {
		c := byKind[k]
		fmt.Printf("| %s | %d | %d | %d |\n", k, seeds, c.made, c.wrong)
		made, wrong = made+c.made, wrong+c.wrong
		for _, s := range c.said {
			if verbose {
				fmt.Println("  " + s)
			}
		}
	}
	fmt.Printf("\nwrong claims in these: %d of %d\n", wrong, made)
	return float64(wrong) <= mostWrong*float64(made), nil
}

// unlike judges one recording. What is sent has to be the claim; a role that is
// not sent must not be claimed. A motor on one ratio passes for no engine.
func unlike(kind string, seed uint64, answers bool) (c claims, err error) {
	vehicle := vehicleOf(seed)
	r, err := drive.ScrambleUnlike(kind, vehicle, seed, answers)
	if err != nil {
		return c, fmt.Errorf("%s, seed %d: %w", kind, seed, err)
	}
	s := find.NewSurvey(find.Options{})
	for i := range r.Frames {
		s.Add(&r.Frames[i])
	}
	res := s.Analyse(nil)
	for _, role := range scored {
		p := res.Best(role)
		if p == nil {
			continue
		}
		c.made++
		if claimed(r, role, p) {
			continue
		}
		c.wrong++
		c.said = append(c.said, fmt.Sprintf("%s, seed %d, %s: %s claimed as %v %v: %v", kind, seed, vehicle, role, p.ID, p.Field, p.Evidence))
	}
	return c, nil
}

// claimed reports whether the proposal is the role, or a copy of it.
func claimed(r *drive.Result, role stream.Role, p *find.Proposal) bool {
	if role == stream.VehicleSpeed {
		if _, same := compareRoad(r, p); same {
			return true
		}
	}
	for i := range r.Layout.Messages {
		m := &r.Layout.Messages[i]
		for k := range m.Signals {
			s := &m.Signals[k]
			geared := role == stream.EngineSpeed && s.Role == stream.NumRoles && (s.Filler == drive.FillerGeared || s.Filler == drive.FillerTwinEngine)
			// The output shaft tells the road speed, by the scale of the answers.
			shaft := role == stream.VehicleSpeed && s.Role == stream.OutputSpeed
			if s.Role != role && !geared && !shaft {
				continue
			}
			if _, same := compare(r.Frames, m, s, p); same {
				return true
			}
		}
	}
	return false
}
