package main

import (
	"fmt"
	"strings"
	"sync"

	"joltwatch/bus"
	"joltwatch/detect"
)

const (
	// codesSeverity is the severity from which a finding's trouble codes are kept.
	codesSeverity = 0.5
	// codesWait is how long a finding waits for the answers of controllers
	// that had to be asked: a few round trips of the slowest (ISO 15765-4
	// allows 5 s, hardly one takes 1 s; common practice, no source).
	codesWait = 3 * bus.Second
	// codesFresh is how old a broadcast of trouble codes may be: controllers
	// with active codes repeat them every second (SAE J1939-73 DM1).
	codesFresh = 5 * bus.Second
)

// codes keeps the trouble codes that controllers broadcast or answer, and holds
// findings back until the answers are there.
type codes struct {
	heard bus.J1939Codes
	held  []held

	mu       sync.Mutex
	answered []bus.Codes // from the asker's goroutine
}

type held struct {
	finding     *detect.Finding
	percentiles []detect.Percentile
	since       bus.Micros
	until       bus.Micros
}

// frame listens to broadcasts.
func (c *codes) frame(f *bus.Frame) { c.heard.Frame(f) }

// answer takes the codes of a controller that was asked.
func (c *codes) answer(x bus.Codes) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.answered = append(c.answered, x)
}

// hold takes a finding; where someone can ask for codes it waits for them.
func (c *codes) hold(f *detect.Finding, percentiles []detect.Percentile, now bus.Micros, a *asking) {
	h := held{finding: f, percentiles: percentiles, since: now, until: now}
	if len(a.buses) > 0 {
		a.askCodes()
		h.until = now + codesWait
	}
	c.held = append(c.held, h)
}

// next returns a held finding that has waited long enough, with its codes.
func (c *codes) next(now bus.Micros) (held, bool) {
	if len(c.held) == 0 || now < c.held[0].until {
		return held{}, false
	}
	h := c.held[0]
	c.held = c.held[1:]
	for _, x := range c.heard.Active(h.since - codesFresh) {
		h.finding.Codes = append(h.finding.Codes, codeText(x))
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, x := range c.answered {
		if x.At >= h.since-codesFresh && len(x.Codes) > 0 {
			h.finding.Codes = append(h.finding.Codes, codeText(x))
		}
	}
	if len(c.held) == 0 {
		c.answered = nil
	}
	return h, true
}

// codeText is one controller's codes in a line.
func codeText(x bus.Codes) string {
	s := fmt.Sprintf("%s: %s", x.Source, strings.Join(x.Codes, ", "))
	if x.Pending {
		s += " (pending)"
	}
	if x.Lamp {
		s += " (lamp on)"
	}
	return s
}
