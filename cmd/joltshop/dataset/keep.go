package dataset

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"
)

// heldFrom is the file, in the dataset's own folder, that says from which day on
// rows are kept. Whoever reads takes no row of before; so what is let go is gone at
// once and as a whole, when this file is replaced, whenever its files are removed.
const heldFrom = "held-from.json"

type held struct {
	From string `json:"from"`
}

// LeastKeep is the least time that rows are kept: longer than a vehicle may have been
// without a network, so that nothing is let go that could only just have come.
const LeastKeep = longestAway + 34*24*time.Hour

// LetGo lets the months go that had ended by the UTC day before, which is at least
// LeastKeep ago, and returns how many files were removed. What was let go once stays so.
func (d *Dataset) LetGo(ctx context.Context, before time.Time) (files int, err error) {
	before = before.UTC()
	from := time.Date(before.Year(), before.Month(), 1, 0, 0, 0, 0, time.UTC).Format(time.DateOnly)
	was, err := readHeld(d.at.read(ctx, heldFrom))
	if err != nil {
		return 0, err
	}
	var old []string
	for _, table := range Tables {
		loose, err := d.at.loose(ctx, table)
		if err != nil {
			return 0, err
		}
		for _, f := range loose {
			if p, ok := partitionOf(f.name); ok && p.day < max(from, was) {
				old = append(old, f.name)
			}
		}
		made, err := d.at.months(ctx, table)
		if err != nil {
			return 0, err
		}
		for _, f := range made {
			if m := monthOf(f.name); m != "" && m+"-01" < max(from, was) {
				old = append(old, f.name)
			}
		}
	}
	if len(old) == 0 {
		return 0, nil
	}
	if was < from {
		b, err := json.Marshal(held{from})
		if err != nil {
			return 0, err
		}
		if err := d.at.write(ctx, heldFrom, append(b, '\n')); err != nil {
			return 0, err
		}
	}
	for _, name := range old {
		if err := d.at.remove(ctx, name); err != nil {
			return files, err
		}
		files++
	}
	return files, nil
}

// HeldFrom is the day from which on a local folder's rows are kept, YYYY-MM-DD; ""
// where none was ever let go.
func HeldFrom(folder string) (string, error) {
	b, err := os.ReadFile(filepath.Join(folder, heldFrom))
	return readHeld(b, err)
}

func readHeld(b []byte, err error) (string, error) {
	if errors.Is(err, fs.ErrNotExist) {
		return "", nil
	}
	if err != nil {
		return "", err
	}
	var h held
	if err := json.Unmarshal(b, &h); err != nil {
		return "", fmt.Errorf("%s: %w", heldFrom, err)
	}
	if _, err := time.Parse(time.DateOnly, h.From); err != nil {
		return "", fmt.Errorf("%s: %w", heldFrom, err)
	}
	return h.From, nil
}
