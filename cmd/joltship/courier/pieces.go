package courier

import (
	"bytes"
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"slices"
	"strconv"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"joltwatch/storage/wire"
)

const (
	// pieceCost is what a piece costs besides its bytes: its line and its frame of TLS;
	// answerCost is what the answer to it does, the other way.
	pieceCost  = 70
	answerCost = 100
	// usualCarries is what a connection carries, in bytes, where none is known to break.
	usualCarries = 16 << 20
	// leastCarries bounds what is concluded from connections that carry nothing.
	leastCarries = 4 << 10
	// wide is how many times as large a piece is while a break is far: on a link that
	// breaks after as much as it did before, none is lost up to farShare of that.
	wide     = 4
	farShare = 0.75
	// ahead is for how long pieces are sent without an answer, and aheadMost how many.
	ahead     = 20 * time.Second
	aheadMost = 16
	// slowest is the slowest link that anything is expected of, in bytes a second.
	slowest = 250
	// stalled is for how long a link may stand still besides the time that what is
	// under way takes on it.
	stalled = 20 * time.Second
	// sureFor is for how long the server is taken to have what it confirmed; it clears
	// away after a month.
	sureFor = 7 * 24 * time.Hour
)

// pieceSize is how large the pieces of a file are cut where a connection carries so many
// bytes before it breaks: what a piece costs and the half piece that a break costs are
// least together at the root of twice their product.
func pieceSize(carries, file int64) int64 {
	size := int64(math.Sqrt(2 * pieceCost * float64(carries)))
	return min(max(size, wire.LeastPiece, (file+wire.MaxPieces/2-1)/(wire.MaxPieces/2)), wire.MostPiece)
}

// transfer sends files over one connection.
type transfer struct {
	c       *Courier
	conn    *nats.Conn
	did     *Round
	inbox   string
	answers chan *nats.Msg
	// carried is what the server confirmed over this connection, in bytes, and took
	// how long that took.
	carried int64
	took    time.Duration
	// unanswered are pieces under way, oldest first, and sent counts all there were.
	unanswered []piece
	sent       int
}

// piece is one under way: where it ends, and the subject of its answer.
type piece struct {
	end   int64
	reply string
}

func (c *Courier) newTransfer(conn *nats.Conn, did *Round) *transfer {
	return &transfer{c: c, conn: conn, did: did, inbox: wire.Answers(c.config.Vehicle) + "." + rand.Text()[:4]}
}

// publish sends a message, the first together with the subscription to its answer.
func (t *transfer) publish(subject, reply string, body []byte) (err error) {
	if t.answers == nil {
		t.answers = make(chan *nats.Msg, 4*aheadMost)
		_, err = t.conn.ChanSubscribe(t.inbox+".*", t.answers)
	}
	return errors.Join(err, t.conn.PublishMsg(&nats.Msg{Subject: subject, Reply: reply, Data: body}))
}

// wait waits for an answer while so many bytes are under way. A server that is reached
// and does not answer has lost the question: a node that takes over, or that was cut off.
func (t *transfer) wait(ctx context.Context, bytes int64) (*nats.Msg, error) {
	ctx, cancel := context.WithTimeoutCause(ctx, stalled+t.expected(bytes), errStalled)
	defer cancel()
	ping := time.NewTimer(t.c.quiet)
	defer ping.Stop()
	reached := make(chan struct{})
	var silent <-chan time.Time
	for {
		select {
		case m := <-t.answers:
			return m, nil
		case <-ctx.Done():
			return nil, context.Cause(ctx)
		case <-ping.C:
			go func() {
				if t.conn.FlushWithContext(ctx) == nil {
					close(reached)
				}
			}()
		case <-reached:
			reached, silent = nil, time.After(2*t.c.quiet)
		case <-silent:
			return nil, errSilent
		}
	}
}

var (
	errStalled = errors.New("the link stands still")
	errSilent  = errors.New("the server is reached and does not answer")
)

// expected is how long so many bytes may take, by what the link was seen to carry.
func (t *transfer) expected(bytes int64) time.Duration {
	rate := float64(slowest)
	if t.carried > 0 {
		rate = max(rate, t.rate()/4)
	}
	return time.Duration(float64(bytes) / rate * float64(time.Second))
}

// rate is in bytes a second.
func (t *transfer) rate() float64 {
	return float64(t.carried) / max(t.took, time.Millisecond).Seconds()
}

// file sends what the server has not of a file.
func (t *transfer) file(ctx context.Context, f *file) error {
	var in io.ReaderAt = bytes.NewReader(f.body)
	if f.body == nil {
		there, err := os.Open(f.path)
		if err != nil {
			return err
		}
		defer there.Close()
		in = there
	}
	b, x := &t.c.memory.Begun, f.record.File
	if upload := f.record.Upload(); b.Upload != upload || t.c.now().Sub(b.At).Abs() > sureFor {
		*b = begun{Upload: upload}
	}
	t.cut(x.Size)
	t.unanswered = nil
	if err := t.pieces(ctx, in, x); err != nil {
		t.broke(err)
		return fmt.Errorf("the server has byte %d of %d of %s, and not confirmed the next: %w", b.Sure, x.Size, x.Name, err)
	}
	return nil
}

// cut says how what is left of a file is cut: into wide pieces first, where a
// connection is known to break, and into small ones where the break is expected.
func (t *transfer) cut(file int64) {
	b, most := &t.c.memory.Begun, int64(wire.MostPiece)
	if budget := t.c.budget(); budget > 0 {
		most = min(most, max(budget/budgetPieces, wire.LeastPiece))
	}
	b.Piece, b.Wide = min(pieceSize(max(t.c.memory.carries(), t.carried), file), most), b.Sure
	far := int64(farShare*float64(t.c.memory.Carries)) - t.carried
	if far <= 0 || t.c.memory.Guessed {
		return
	}
	if b.Piece = min(pieceSize(t.c.memory.Carries/2, file), most); wide*b.Piece <= most {
		b.Wide += far / (wide * b.Piece) * (wide * b.Piece)
	}
}

// pieces sends a file from where it is sure.
func (t *transfer) pieces(ctx context.Context, in io.ReaderAt, x *wire.File) error {
	b := &t.c.memory.Begun
	buffer := make([]byte, wide*b.Piece)
	for at := b.Sure; b.Sure < x.Size; {
		began := time.Now()
		for at < x.Size && len(t.unanswered) < t.window() {
			n := min(b.next(at), x.Size-at)
			if got, err := in.ReadAt(buffer[:n], at); int64(got) < n {
				if err != nil && err != io.EOF {
					return err
				}
				return fmt.Errorf("%s became shorter while it was sent; it is sent again later", x.Name)
			}
			if err := t.c.room(n + pieceCost + int64(len(t.unanswered)+1)*answerCost); errors.Is(err, errBudget) && len(t.unanswered) > 0 {
				break // until what is under way is confirmed
			} else if err != nil {
				return err
			}
			if err := t.piece(at, buffer[:n]); err != nil {
				return err
			}
			at += n
		}
		m, err := t.wait(ctx, at-b.Sure)
		t.took += time.Since(began)
		if err == nil {
			err = t.confirm(m)
		}
		if errors.Is(err, errUnsure) {
			at, err = b.Sure, nil
			t.unanswered = nil
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// window is how many pieces may be under way.
func (t *transfer) window() int {
	if t.carried == 0 {
		return 1
	}
	b := &t.c.memory.Begun
	return min(max(int(t.rate()*ahead.Seconds())/int(b.next(b.Sure)), 2), aheadMost)
}

// piece sends one.
func (t *transfer) piece(at int64, body []byte) error {
	t.sent++
	p := piece{at + int64(len(body)), t.inbox + "." + strconv.FormatInt(int64(t.sent), 36)}
	t.unanswered = append(t.unanswered, p)
	if err := t.publish(wire.Piece(t.c.config.Vehicle, t.c.memory.Begun.Upload, at), p.reply, body); err != nil {
		return err
	}
	t.did.Bytes += int64(len(body))
	// Into a frame of TLS of its own: of one that breaks off nothing is of use.
	for {
		if n, err := t.conn.Buffered(); n == 0 || err != nil {
			return err
		}
		time.Sleep(200 * time.Microsecond)
	}
}

// answer is the server's to a piece.
type answer struct {
	Seq   uint64              `json:"seq"`
	Error *jetstream.APIError `json:"error"`
}

func parse(m *nats.Msg) (a answer, err error) {
	if m.Header.Get("Status") != "" {
		return a, errors.New("nobody there takes files")
	}
	if err := json.Unmarshal(m.Data, &a); err != nil {
		return a, fmt.Errorf("an answer that is none: %w", err)
	}
	if a.Error != nil {
		return a, errors.New(a.Error.Description)
	}
	return a, nil
}

// errUnsure is that a piece was lost on the way, or what was sure is no longer there.
var errUnsure = errors.New("what came is not in a row; it is sent again")

// confirm takes an answer: its piece is on the medium. The pieces of a connection come one
// after the other, so that where a later one is answered first, the one before it was lost.
func (t *transfer) confirm(m *nats.Msg) error {
	a, err := parse(m)
	if err != nil {
		return err
	}
	b := &t.c.memory.Begun
	i := slices.IndexFunc(t.unanswered, func(p piece) bool { return p.reply == m.Subject })
	switch {
	case i < 0:
		return nil // gone back since
	case i > 0:
		return errUnsure
	case a.Seq <= b.Seq: // what the server had is gone
		b.Sure, b.Seq = 0, 0
		return errUnsure
	}
	end := t.unanswered[0].end
	t.unanswered = t.unanswered[1:]
	t.carried += end - b.Sure
	t.did.Confirmed += end - b.Sure
	b.Sure, b.Seq, b.At = end, a.Seq, t.c.now()
	return t.c.keep()
}

// broke notes what a connection carried that broke.
func (t *transfer) broke(err error) {
	if !errors.Is(err, errBroken) && !errors.Is(err, errStalled) && !errors.Is(err, nats.ErrConnectionClosed) {
		return
	}
	m := t.c.memory
	if m.Guessed = t.carried == 0; m.Guessed {
		m.Carries = max(m.carries()/16, leastCarries)
	} else {
		m.Carries = t.carried
	}
}

// ended notes what one carried that did not.
func (t *transfer) ended() {
	if m := t.c.memory; m.Carries > 0 && t.carried > m.Carries {
		m.Carries, m.Guessed = t.carried, false
	}
}

// keepEvery is how often the memory is written while a file is under way: what is lost
// with it is sent again.
const keepEvery = 10 * time.Second

func (c *Courier) keep() error {
	if now := time.Now(); now.Sub(c.kept) > keepEvery {
		c.kept = now
		return c.memory.write()
	}
	return nil
}
