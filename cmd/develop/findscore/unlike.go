package main

import (
	"fmt"
	"os"
	"runtime"
	"sort"
	"sync"

	"joltwatch/cmd/develop/joltsim/drive"
	"joltwatch/stream"
	"joltwatch/stream/find"
)

// mostWrong is the share of claims that may be wrong.
const mostWrong = 0.01

// claims counts, for one kind of recording, what the search called found.
type claims struct {
	drives, made, wrong int
	said                []string
}

// unlikes runs the search on recordings in which not all is there to be found:
// it has to claim nothing that is not so. It returns whether it did.
func unlikes(from uint64, seeds int, verbose bool) bool {
	type job struct {
		kind    string
		seed    uint64
		answers bool
	}
	kinds := drive.Unlike()
	var jobs []job
	for _, kind := range kinds {
		for i := range seeds {
			jobs = append(jobs, job{kind, from + uint64(i), i%2 == 0})
		}
	}
	got := make([]claims, len(jobs))
	var wg sync.WaitGroup
	limit := make(chan struct{}, runtime.NumCPU())
	for i, j := range jobs {
		wg.Add(1)
		limit <- struct{}{}
		go func() {
			defer wg.Done()
			defer func() { <-limit }()
			got[i] = unlike(j.kind, j.seed, j.answers)
		}()
	}
	wg.Wait()
	byKind := map[string]*claims{}
	for i, j := range jobs {
		c := byKind[j.kind]
		if c == nil {
			c = &claims{}
			byKind[j.kind] = c
		}
		c.drives++
		c.made, c.wrong, c.said = c.made+got[i].made, c.wrong+got[i].wrong, append(c.said, got[i].said...)
	}
	sort.SliceStable(kinds, func(a, b int) bool { return byKind[kinds[a]].wrong > byKind[kinds[b]].wrong })
	fmt.Printf("\nRecordings in which not everything is there to be found:\n\n| kind | recordings | claims | wrong |\n|---|---|---|---|\n")
	made, wrong := 0, 0
	for _, k := range kinds {
		c := byKind[k]
		fmt.Printf("| %s | %d | %d | %d |\n", k, c.drives, c.made, c.wrong)
		made, wrong = made+c.made, wrong+c.wrong
		for _, s := range c.said {
			if verbose {
				fmt.Println("  " + s)
			}
		}
	}
	fmt.Printf("\nwrong claims in these: %d of %d\n", wrong, made)
	return float64(wrong) <= mostWrong*float64(made)
}

// unlike judges one recording. What is sent has to be the claim; a role that is
// not sent must not be claimed. A motor on one ratio passes for no engine.
func unlike(kind string, seed uint64, answers bool) (c claims) {
	vehicles := append(drive.Tuning.Vehicles(), drive.Scoring.Vehicles()...)
	sort.Strings(vehicles)
	vehicle := vehicles[seed%uint64(len(vehicles))]
	r, err := drive.ScrambleUnlike(kind, vehicle, seed, answers)
	if err != nil {
		fmt.Fprintf(os.Stderr, "score: %v\n", err)
		os.Exit(1)
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
	return c
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
