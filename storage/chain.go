package storage

// The files of a stay are chained. Each journal file begins with a record of
// the one before it, each evidence file with one of the journal it belongs to;
// the journal records how far evidence files go; and the head, a file of fixed
// size, records the latest run and, where it ended in order, how. So what was
// removed, cut short or exchanged is told from what a run never wrote.

// fileMark says how far a file went when it was looked at: it has at least so
// many blocks, and the sum over them.
type fileMark struct {
	Run    uint32 `json:"run,omitempty"`
	Part   uint32 `json:"part,omitempty"`
	Blocks uint32 `json:"blocks"`
	Sum    uint64 `json:"sum"`
}

// linkRecord stands first in a file.
type linkRecord struct {
	// Stay is the sum of the beginning of the stay's first run.
	Stay uint64 `json:"stay"`
	// Before is the journal file before a journal file; of an evidence file,
	// the journal file of the run. It is absent where there is none.
	Before *fileMark `json:"before,omitempty"`
	// Evidence are, in the first journal file of a run, the evidence files of
	// the run before it that went further than that had recorded; in an
	// evidence file, the one before it.
	Evidence []fileMark `json:"evidence,omitempty"`
	// Clocks are the clock files that were there when a run began or ended.
	Clocks []fileMark `json:"clocks,omitempty"`
}

// framesRecord says how far evidence files of the run go.
type framesRecord struct {
	Files []fileMark `json:"files"`
}

// pointer returns nil for a mark of nothing.
func (m fileMark) pointer() *fileMark {
	if m.Part == 0 {
		return nil
	}
	return &m
}

// chainOf is how far the chain of a file goes.
func (p *parsed) chainEnd() chained {
	if n := len(p.chain); n > 0 {
		return p.chain[n-1]
	}
	return chainFrom(p.header)
}

// passes reports whether the chain passes a mark: exact is false where the mark
// lies within what condensing has taken together, so that only the number of
// blocks says so.
func (p *parsed) passes(m fileMark) (ok, exact bool) {
	if m.Blocks == 0 {
		return m.Sum == chainFrom(p.header).sum, true
	}
	for _, c := range p.chain {
		if c.blocks == m.Blocks {
			return c.sum == m.Sum, true
		}
		if c.blocks > m.Blocks {
			return true, false
		}
	}
	return false, true
}

// stayOf is the identity of a stay whose first run begins so.
func stayOf(opt Options) uint64 {
	s := sumOf(0, header{kind: journalFile, run: 1, part: 1, boot: opt.Boot}.append(nil))
	s = sumOf(s, []byte(opt.Label+"\x00"+opt.Program))
	return sumOf(s, opt.Settings)
}
