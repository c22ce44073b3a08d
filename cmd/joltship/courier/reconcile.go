package courier

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

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
	b, _, err := c.stored(ctx, conn, wire.ObjectSubject(c.config.Vehicle, wire.HeldName), 0)
	if b == nil || err != nil {
		return nil, "", err
	}
	var info jetstream.ObjectInfo
	if err := json.Unmarshal(b, &info); err != nil {
		return nil, "", err
	}
	if info.Deleted || info.Digest == c.memory.Held {
		return nil, "", nil
	}
	if info.Size > wire.MaxHeld {
		return nil, "", fmt.Errorf("a list of %d bytes; expected at most %d", info.Size, wire.MaxHeld)
	}
	var body bytes.Buffer
	for seq := uint64(0); uint64(body.Len()) < info.Size; {
		if b, seq, err = c.stored(ctx, conn, wire.ChunksSubject(c.config.Vehicle, info.NUID), seq+1); err != nil {
			return nil, "", err
		}
		if len(b) == 0 {
			return nil, "", errors.New("the list ends early")
		}
		body.Write(b)
	}
	sum := sha256.Sum256(body.Bytes())
	if info.Digest != "SHA-256="+base64.URLEncoding.EncodeToString(sum[:]) {
		return nil, "", errors.New("the bytes of the list are not those that were announced")
	}
	held, err := wire.DecodeHeld(body.Bytes())
	return held, info.Digest, err
}

// stored returns a message of the vehicle's own bucket: the last on a subject, or the
// next from a sequence number on; nil where there is none.
func (c *Courier) stored(ctx context.Context, conn *nats.Conn, subject string, from uint64) (data []byte, seq uint64, err error) {
	ctx, cancel := context.WithTimeout(ctx, answerWait)
	defer cancel()
	ask := map[string]any{"last_by_subj": subject}
	if from > 0 {
		ask = map[string]any{"next_by_subj": subject, "seq": from}
	}
	b, err := json.Marshal(ask)
	if err != nil {
		return nil, 0, err
	}
	m, err := conn.RequestWithContext(ctx, "$JS.API.STREAM.MSG.GET.OBJ_"+wire.Bucket(c.config.Vehicle), b)
	if err != nil {
		return nil, 0, err
	}
	a, err := parse(m)
	switch {
	case err != nil:
		return nil, 0, err
	case a.Error == nil:
		return a.Message.Data, a.Message.Seq, nil
	case a.Error.ErrorCode == jetstream.JSErrCodeMessageNotFound, a.Error.ErrorCode == jetstream.JSErrCodeStreamNotFound:
		return nil, 0, nil
	}
	return nil, 0, a.Error
}
