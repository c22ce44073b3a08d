package server

import (
	"context"
	"fmt"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"joltwatch/storage/wire"
)

// EnsureStreams prepares the streams of all vehicles: that of their records, that of the
// pieces of their files, and that of what they are told after a shop was put back. A start
// looks through so many, however many vehicles there are. A full disk refuses what is
// new; nothing that was confirmed is dropped for it. A record that comes again
// within an hour, by its identity, is confirmed and not kept twice; the dataset
// knows what comes later.
func EnsureStreams(ctx context.Context, js jetstream.JetStream, replicas int) error {
	for _, c := range []jetstream.StreamConfig{{
		Name: wire.Stream, Subjects: []string{wire.Subjects}, Description: "records of all vehicles, until they are taken in",
		Retention: jetstream.WorkQueuePolicy, MaxMsgsPerSubject: maxWaiting, DiscardNewPerSubject: true, MaxMsgSize: maxMessage, Duplicates: time.Hour,
	}, {
		Name: wire.PieceStream, Subjects: []string{wire.PieceSubjects}, Description: "files of all vehicles in pieces, until they are taken in", MaxMsgSize: maxPart,
	}, {
		Name: wire.HeldStream, Subjects: wire.HeldSubjects(), Description: "what the shop has of each vehicle, after it was put back",
		MaxMsgsPerSubject: 1, MaxMsgSize: maxPart,
		// An asker names in the subject what is asked for, so that a right can be given to
		// it. What is answered is the shop's own words, whatever subject it is sent to.
		AllowDirect: true,
	}} {
		c.Storage, c.Replicas, c.Discard = jetstream.FileStorage, max(replicas, 1), jetstream.DiscardNew
		if _, err := js.CreateOrUpdateStream(ctx, c); err != nil {
			return fmt.Errorf("the stream %s: %w", c.Name, err)
		}
	}
	return nil
}

// EnsureBucket prepares what holds the files of a vehicle whose courier is of before all
// shared one stream: their pieces, and an object store for couriers that send none
// yet. That is as the client
// library makes one, but for one thing: it has no direct reading. The answer to
// that is the stored bytes as they are, sent to whatever subject the asker names;
// a vehicle could so have its own bytes put among another's records.
func EnsureBucket(ctx context.Context, js jetstream.JetStream, vehicle string, replicas int) error {
	if !wire.VehicleName(vehicle) {
		return nameError(vehicle)
	}
	b := wire.Bucket(vehicle)
	_, err := js.CreateOrUpdateStream(ctx, jetstream.StreamConfig{
		Name: "OBJ_" + b, Subjects: []string{wire.EarlierPieces(vehicle, "*", "*"), "$O." + b + ".C.>", "$O." + b + ".M.>"}, Description: "files of vehicle " + vehicle,
		Storage: jetstream.FileStorage, Discard: jetstream.DiscardNew, AllowRollup: true, AllowDirect: false,
		MaxMsgSize: maxPart, MaxMsgs: maxPieces, Replicas: max(replicas, 1),
	})
	if err != nil {
		return fmt.Errorf("the bucket %s: %w", b, err)
	}
	return nil
}

// maxWaiting bounds the records of one kind of one vehicle that wait to be taken
// in, so that none holds up the others for long: years of an honest one.
const maxWaiting = 20_000

// maxPieces bounds what of one vehicle's files lies on the server until it is taken in: more
// than the pieces of a file, and at most 3.4 GB of a hostile vehicle. See Heavy.
const maxPieces = 25_000

// maxPart bounds a message of a file: a piece, and what an older courier's library
// cuts a part into.
const maxPart = wire.MostPiece + 4<<10

func nameError(vehicle string) error {
	return fmt.Errorf("vehicle %.60q: a name is 1 to 40 of a-z, 0-9 and -", vehicle)
}
