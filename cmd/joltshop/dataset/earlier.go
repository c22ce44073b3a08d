package dataset

import (
	"bytes"

	"github.com/parquet-go/parquet-go"
)

// Files of schema 1 have some columns by other names; they are read by those.
type eventNames1 struct {
	Severity      float64   `parquet:"worth"`
	Percentiles   []placing `parquet:"places,list"`
	MissingInputs []string  `parquet:"lacking,list"`
}

type accountNames1 struct {
	Opportunities []opportunity `parquet:"chances,list"`
}

// fill1 fills what was read of a file of schema 1 with what lies in it under its
// earlier names.
func fill1(list any, body []byte) error {
	in := bytes.NewReader(body)
	switch list := list.(type) {
	case []eventRow:
		old, err := parquet.Read[eventNames1](in, in.Size())
		if err != nil {
			return err
		}
		for i, x := range old {
			list[i].Severity, list[i].Percentiles, list[i].MissingInputs = x.Severity, x.Percentiles, x.MissingInputs
		}
	case []accountRow:
		old, err := parquet.Read[accountNames1](in, in.Size())
		if err != nil {
			return err
		}
		for i, x := range old {
			list[i].Opportunities = x.Opportunities
		}
	}
	return nil
}
