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
	// pieceCost is what a piece costs besides its bytes: its line and its frame of TLS.
	pieceCost = 60
	// usualCarries is what a connection carries, in bytes, where none is known to break.
	usualCarries = 16 << 20
	// leastCarries bounds what is concluded from connections that carry nothing.
	leastCarries = 4 << 10
	// wide is how many times as large a piece is while a break is far: on a link that
	// breaks after as much as it did before, none is lost up to farShare of that.
	wide     = 3
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
	// unanswered are pieces under way, oldest first.
	unanswered []piece
	// sent counts pieces since the one that the memory's number is of; asked is the
	// last that an answer was asked for, and asks counts those.
	sent, asked, asks int
}

// piece is one under way: its number since the last that is sure, where it ends, and
// the subject of its answer, "" where none was asked for.
type piece struct {
	number int
	end    int64
	reply  string
}

func (c *Courier) newTransfer(conn *nats.Conn, did *Round) *transfer {
	return &transfer{c: c, conn: conn, did: did, inbox: wire.Inbox(c.config.Vehicle) + "." + rand.Text()[:6]}
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
	if parcel := f.record.Parcel(); b.Parcel != parcel {
		*b = begun{Parcel: parcel}
	} else if b.Under || t.c.now().Sub(b.At).Abs() > sureFor {
		if err := t.resume(ctx, x.Size); err != nil {
			return fmt.Errorf("file %s: %w", x.Name, err)
		}
	}
	t.cut(x.Size)
	t.back()
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
			if err := t.c.room(n); errors.Is(err, errBudget) && len(t.unanswered) > 0 {
				break // until what is under way is confirmed
			} else if err != nil {
				return err
			}
			last := at+n == x.Size || t.c.room(2*n+pieceCost) != nil
			if err := t.piece(at, buffer[:n], last); err != nil {
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
			t.back()
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// back is for going on from what is sure.
func (t *transfer) back() { t.sent, t.asked, t.unanswered = 0, 0, nil }

// window is how many pieces may be under way.
func (t *transfer) window() int {
	if t.carried == 0 {
		return 1
	}
	b := &t.c.memory.Begun
	return min(max(int(t.rate()*ahead.Seconds())/int(b.next(b.Sure)), 2), aheadMost)
}

// piece sends one. An answer is asked for twice in a window, as each costs something.
func (t *transfer) piece(at int64, body []byte, last bool) error {
	b := &t.c.memory.Begun
	t.sent++
	reply := ""
	if ask := max(t.window()/2, 1); last || b.Seq == 0 && t.sent == 1 || t.sent-t.asked >= ask || len(t.unanswered)+1 >= t.window() {
		t.asks++
		reply, t.asked = t.inbox+"."+strconv.Itoa(t.asks), t.sent
	}
	t.unanswered = append(t.unanswered, piece{t.sent, at + int64(len(body)), reply})
	b.Under = true
	subject := wire.Piece(t.c.config.Vehicle, b.Parcel, at)
	if err := t.publish(subject, reply, body); err != nil {
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

// answer is the server's to a piece or a question.
type answer struct {
	Seq     uint64 `json:"seq"`
	Message struct {
		Subject string `json:"subject"`
		Seq     uint64 `json:"seq"`
		Data    []byte `json:"data"`
	} `json:"message"`
	Error *jetstream.APIError `json:"error"`
}

func parse(m *nats.Msg) (a answer, err error) {
	if m.Header.Get("Status") != "" {
		return a, errors.New("nobody there takes files")
	}
	if err := json.Unmarshal(m.Data, &a); err != nil {
		return a, fmt.Errorf("an answer that is none: %w", err)
	}
	return a, nil
}

// errUnsure is that the server's numbers do not follow each other: a piece was lost, or
// one of an earlier connection came late.
var errUnsure = errors.New("what came is not in a row; it is sent again")

// confirm takes an answer to a piece: the one that was asked for and all before it are
// on the medium, where the number of messages between the answers is theirs.
func (t *transfer) confirm(m *nats.Msg) error {
	a, err := parse(m)
	if err != nil {
		return err
	}
	b := &t.c.memory.Begun
	if a.Error != nil {
		b.Seq = 0
		return errors.New(a.Error.Description)
	}
	i := slices.IndexFunc(t.unanswered, func(p piece) bool { return p.reply == m.Subject })
	if i < 0 {
		return nil // gone back since
	}
	p := t.unanswered[i]
	switch {
	case b.Seq != 0 && a.Seq <= b.Seq:
		b.Sure, b.Seq = 0, 0 // it was put back from a backup
		return errUnsure
	case b.Seq == 0 && p.number != 1, b.Seq != 0 && a.Seq != b.Seq+uint64(p.number):
		b.Seq = 0
		return errUnsure
	}
	t.carried += p.end - b.Sure
	t.did.Confirmed += p.end - b.Sure
	t.unanswered = t.unanswered[i+1:]
	for k := range t.unanswered {
		t.unanswered[k].number -= p.number
	}
	t.sent -= p.number
	t.asked -= p.number
	b.Sure, b.Seq, b.Under, b.At = p.end, a.Seq, len(t.unanswered) > 0, t.c.now()
	return t.c.keep()
}

// resume asks where the server's last piece of the file under way ends, as the answer
// to it may have been lost with the connection.
func (t *transfer) resume(ctx context.Context, size int64) error {
	b := &t.c.memory.Begun
	bucket := wire.Bucket(t.c.config.Vehicle)
	question := fmt.Appendf(nil, `{"last_by_subj":%q}`, wire.Pieces(t.c.config.Vehicle, b.Parcel, "*"))
	if err := t.publish("$JS.API.STREAM.MSG.GET.OBJ_"+bucket, t.inbox+".0", question); err != nil {
		return err
	}
	m, err := t.wait(ctx, 2*b.next(b.Sure))
	if err != nil {
		return err
	}
	a, err := parse(m)
	switch {
	case err != nil:
		return err
	case a.Error != nil && a.Error.Code == 404:
		*b = begun{Parcel: b.Parcel} // cleared away, or nothing came
		return nil
	case a.Error != nil:
		return errors.New(a.Error.Description)
	}
	at, err := wire.PieceOffset(a.Message.Subject)
	end := at + int64(len(a.Message.Data))
	before, cut := b.before(at)
	switch {
	case err != nil:
		return err
	case end == b.Sure && a.Message.Seq == b.Seq:
	case a.Message.Seq < b.Seq:
		*b = begun{Parcel: b.Parcel} // it was put back from a backup
	case b.Seq != 0 && cut && end == min(at+b.next(at), size) && a.Message.Seq == b.Seq+before+1:
		t.did.Confirmed += end - b.Sure
		if m := t.c.memory; m.Guessed {
			m.Carries, m.Guessed = end-b.Sure, false
		} else if m.Carries > 0 {
			m.Carries += end - b.Sure
		}
		b.Sure, b.Seq = end, a.Message.Seq
	default:
		b.Seq = 0 // from where it is sure
	}
	b.Under = false
	return nil
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
