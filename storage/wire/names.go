package wire

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

// Inbox is the prefix of the subjects on which a vehicle gets its answers.
func Inbox(vehicle string) string { return "_INBOX_" + vehicle }

// SentHeader is the header of a message that says what the unit's clock said when it
// was sent, in microseconds since 1970 UTC.
const SentHeader = "Jolt-Sent"
