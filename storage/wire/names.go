package wire

import (
	"encoding/base64"
	"strconv"
	"strings"
)

// What a vehicle's records and files are called on the shop's server (NATS
// JetStream). A vehicle may write these and read nothing of others.

// Stream is the stream of all records.
const Stream = "JOLT"

// Subjects is what Stream takes in.
const Subjects = "jolt.*.*"

// Subject is where a vehicle's records of one kind go.
func Subject(vehicle string, kind Kind) string { return "jolt." + vehicle + "." + string(kind) }

// PieceStream is the stream of the pieces of all vehicles' files, and PieceSubjects
// what it takes in.
const (
	PieceStream   = "PIECES"
	PieceSubjects = "p.*.*.*"
)

// Piece is the subject of a message with the bytes of a file that begin at an offset, as
// many as the message has. A vehicle may cut a file as it likes, and again otherwise: the
// last message on a subject counts, and what follows it begins where it ends. The names
// are short, as they go with each piece over links on which that counts.
func Piece(vehicle, upload string, offset int64) string {
	return Pieces(vehicle, upload, strconv.FormatInt(offset, 36))
}

// Pieces is the subject of the pieces of an upload at an offset; * is any.
func Pieces(vehicle, upload, offset string) string {
	return "p." + vehicle + "." + upload + "." + offset
}

// PieceOf is the vehicle and the upload in a subject that Piece made.
func PieceOf(subject string) (vehicle, upload string) {
	part := strings.Split(subject, ".")
	if len(part) != 4 {
		return "", ""
	}
	return part[1], part[2]
}

// HeldStream is the stream of what a shop that was put back from a backup has of each
// vehicle, and HeldSubjects what it takes in.
const HeldStream = "HELD"

// HeldSubjects is what HeldStream takes in.
func HeldSubjects() []string { return []string{HeldHeadOf("*"), HeldPart("*", "*", "*")} }

// HeldHeadOf is the subject of a vehicle's HeldHead.
func HeldHeadOf(vehicle string) string { return "h." + vehicle }

// HeldPart is the subject of a part of the list of that name; * is any.
func HeldPart(vehicle, list, part string) string { return "h." + vehicle + "." + list + "." + part }

// AskHeld is where a vehicle asks for what lies at a subject of HeldStream, as NATS
// JetStream answers for streams that allow it: the subject is in the question's own, so
// that a right can be given to it.
func AskHeld(subject string) string { return "$JS.API.DIRECT.GET." + HeldStream + "." + subject }

// Bucket is the object store of a vehicle's files where its courier is of before
// FileVersion, or of EarlierPieces.
func Bucket(vehicle string) string { return "evidence-" + vehicle }

// EarlierPieces are the subjects of pieces in a vehicle's Bucket, as Pieces are.
func EarlierPieces(vehicle, upload, offset string) string {
	return "f." + vehicle + "." + upload + "." + offset
}

// ObjectSubject is the subject of what says where the bytes of an object in a vehicle's
// bucket lie, as object stores of NATS JetStream name it.
func ObjectSubject(vehicle, object string) string {
	return "$O." + Bucket(vehicle) + ".M." + base64.URLEncoding.EncodeToString([]byte(object))
}

// ChunksSubject is the subject of those bytes, by the identifier that is said there; * is
// any.
func ChunksSubject(vehicle, nuid string) string { return "$O." + Bucket(vehicle) + ".C." + nuid }

// ClientName is what a courier calls itself when it connects. One of before called
// itself as its vehicle, and needs that one's Bucket.
const ClientName = "joltship"

// Inbox is the prefix of the subjects on which a vehicle gets its answers.
func Inbox(vehicle string) string { return "_INBOX_" + vehicle }

// Answers is the prefix of those of the answers to pieces, short for the reason that
// their names are.
func Answers(vehicle string) string { return "i." + vehicle }

// SentHeader is the header of a message that says what the unit's clock said when it
// was sent, in microseconds since 1970 UTC.
const SentHeader = "Jolt-Sent"
