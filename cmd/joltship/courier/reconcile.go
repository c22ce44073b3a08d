package courier

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/nats-io/nats.go"

	"joltwatch/storage"
	"joltwatch/storage/wire"
)

// tellLost is for how long the unit's reports tell of what was lost.
const tellLost = 14 * 24 * time.Hour

// reconcile asks whether the shop was put back from a backup, and holds what was
// delivered against what it says it has then. What is missing there and is still here is
// forgotten to have been delivered, and so is work again; what is no longer here is
// named in the unit's reports.
func (c *Courier) reconcile(ctx context.Context, conn *nats.Conn, stay *wire.Stay, w *work, did *Round) (*work, error) {
	held, list, err := c.askHeld(ctx, conn)
	if err != nil {
		return w, fmt.Errorf("what the shop has after it was put back: %w", err)
	}
	if held == nil {
		return w, nil
	}
	lost := c.compare(stay, held.Stays[stay.ID])
	c.memory.Held, c.memory.Begun = list, begun{}
	if lost != "" {
		c.memory.Lost, c.memory.LostAt = lost, c.now()
		c.log.Warn().Msg(lost)
	}
	if err := c.memory.write(); err != nil {
		return w, err
	}
	if w, err = c.look(stay); err == nil {
		w.count(did)
	}
	return w, err
}

// compare forgets what the shop lacks and is still here, and says what is not.
func (c *Courier) compare(stay *wire.Stay, has *wire.HeldStay) (lost string) {
	here := map[string]bool{}
	for _, r := range stay.Records(c.config.Vehicle) {
		here[r.Key] = true
		id, sent := c.memory.Records[r.Key]
		if sent && id == "" { // remembered by an earlier version
			_, now, err := r.Encode()
			if err != nil {
				continue
			}
			id = recordID(now)
		}
		if sent && !has.Has(string(id)) {
			delete(c.memory.Records, r.Key)
		}
	}
	records := 0
	for key, id := range c.memory.Records {
		if !here[key] && id != "" && !has.Has(string(id)) {
			records++
		}
	}
	var files []string
	for name, d := range c.memory.Files {
		if has.File(name) == d.SHA256 {
			continue
		}
		_, err := os.Stat(filepath.Join(stay.Dir, name))
		if err == nil || name == storage.HeadName {
			delete(c.memory.Files, name)
		} else {
			files = append(files, name)
		}
	}
	if records+len(files) == 0 {
		return ""
	}
	slices.Sort(files)
	text := fmt.Sprintf("the shop was put back from a backup; it lacks %d records and %d files that were delivered and are no longer here: %s", records, len(files), strings.Join(files, ", "))
	return text[:min(len(text), 300)]
}

// askHeld returns what the shop says it has, and which list that is; nil where it says
// nothing, or what was held against it before.
func (c *Courier) askHeld(ctx context.Context, conn *nats.Conn) (*wire.Held, string, error) {
	b, err := c.told(ctx, conn, wire.HeldHeadOf(c.config.Vehicle))
	if b == nil || err != nil {
		return nil, "", err
	}
	var head wire.HeldHead
	if err := json.Unmarshal(b, &head); err != nil {
		return nil, "", err
	}
	if head.List == c.memory.Held {
		return nil, "", nil
	}
	var body bytes.Buffer
	for part := range head.Parts {
		b, err := c.told(ctx, conn, wire.HeldPart(c.config.Vehicle, head.List, strconv.Itoa(part)))
		if err != nil {
			return nil, "", err
		}
		if body.Write(b); b == nil || body.Len() > wire.MaxHeld {
			return nil, "", fmt.Errorf("part %d of %d of the list is missing, or it has more than %d bytes", part, head.Parts, wire.MaxHeld)
		}
	}
	if wire.Identity(body.Bytes()) != head.List {
		return nil, "", errors.New("the bytes of the list are not those that were announced")
	}
	held, err := wire.DecodeHeld(body.Bytes())
	return held, head.List, err
}

// told returns what the shop has left for the vehicle at a subject; nil where that is
// nothing.
func (c *Courier) told(ctx context.Context, conn *nats.Conn, subject string) ([]byte, error) {
	ctx, cancel := context.WithTimeout(ctx, answerWait)
	defer cancel()
	m, err := conn.RequestWithContext(ctx, wire.AskHeld(subject), nil)
	switch {
	case errors.Is(err, nats.ErrNoResponders):
		return nil, nil
	case err != nil:
		return nil, err
	}
	switch status := m.Header.Get("Status"); status {
	case "":
		return m.Data, nil
	case "404":
		return nil, nil
	default:
		return nil, fmt.Errorf("%s %s", status, m.Header.Get("Description"))
	}
}
