package export

import (
	"encoding/csv"
	"io"
)

// CSV writes the table by RFC 4180. A column's unit stands in its heading, in
// brackets: "engine_speed [rpm]". Unknown values are empty. Text that a
// spreadsheet would take for a formula gets a leading apostrophe, as a store
// may come from anyone.
func CSV(w io.Writer, t *Table) error {
	out := csv.NewWriter(w)
	out.UseCRLF = true
	record := make([]string, len(t.Columns))
	for i, c := range t.Columns {
		record[i] = harmless(c.Name)
		if c.Unit != "" {
			record[i] += " [" + c.Unit + "]"
		}
	}
	if err := out.Write(record); err != nil {
		return err
	}
	err := t.Rows(func(row []any) error {
		for i, cell := range row {
			s, err := text(cell)
			if err != nil {
				return err
			}
			if _, ok := cell.(string); ok {
				s = harmless(s)
			}
			record[i] = s
		}
		return out.Write(record)
	})
	if err != nil {
		return err
	}
	out.Flush()
	return out.Error()
}

func harmless(s string) string {
	if s != "" && (s[0] == '=' || s[0] == '+' || s[0] == '-' || s[0] == '@' || s[0] == '\t' || s[0] == '\r') {
		return "'" + s
	}
	return s
}
