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

// Bucket is the object store of a vehicle's files.
func Bucket(vehicle string) string { return "evidence-" + vehicle }

// ObjectSubject is the subject of what says where the bytes of an object in a vehicle's
// bucket lie, as object stores of NATS JetStream name it.
func ObjectSubject(vehicle, object string) string {
	return "$O." + Bucket(vehicle) + ".M." + base64.URLEncoding.EncodeToString([]byte(object))
}

// ChunksSubject is the subject of those bytes, by the identifier that is said there; * is
// any.
func ChunksSubject(vehicle, nuid string) string { return "$O." + Bucket(vehicle) + ".C." + nuid }

// Piece is the subject of a message with the bytes of a file that begin at an offset, as
// many as the message has. A vehicle may cut a file as it likes, and again otherwise: the
// last message on a subject counts, and what follows it begins where it ends. The names
// are short, as they go with each piece over links on which that counts.
func Piece(vehicle, parcel string, offset int64) string {
	return Pieces(vehicle, parcel, strconv.FormatInt(offset, 36))
}

// Pieces is the subject of the pieces of a parcel at an offset; * is any.
func Pieces(vehicle, parcel, offset string) string {
	return "f." + vehicle + "." + parcel + "." + offset
}

// PieceOffset is the offset in a subject that Piece made.
func PieceOffset(subject string) (int64, error) {
	return strconv.ParseInt(subject[strings.LastIndexByte(subject, '.')+1:], 36, 64)
}

// Inbox is the prefix of the subjects on which a vehicle gets its answers.
func Inbox(vehicle string) string { return "_INBOX_" + vehicle }

// SentHeader is the header of a message that says what the unit's clock said when it
// was sent, in microseconds since 1970 UTC.
const SentHeader = "Jolt-Sent"
