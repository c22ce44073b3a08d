package server

import (
	"context"
	"fmt"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"joltwatch/storage/wire"
)

// EnsureStreams prepares the stream of all records, which holds each until the
// intake has confirmed it. A full disk refuses what is
// new; nothing that was confirmed is dropped for it. A record that comes again
// within an hour, by its identity, is confirmed and not kept twice; the dataset
// knows what comes later.
func EnsureStreams(ctx context.Context, js jetstream.JetStream, replicas int) error {
	_, err := js.CreateOrUpdateStream(ctx, jetstream.StreamConfig{
		Name: wire.Stream, Subjects: []string{wire.Subjects}, Description: "records of all vehicles",
		Storage: jetstream.FileStorage, Retention: jetstream.WorkQueuePolicy, Discard: jetstream.DiscardNew,
		MaxMsgsPerSubject: maxWaiting, DiscardNewPerSubject: true, MaxMsgSize: maxMessage, Duplicates: time.Hour, Replicas: max(replicas, 1), AllowDirect: false,
	})
	if err != nil {
		return fmt.Errorf("the stream %s: %w", wire.Stream, err)
	}
	return nil
}

// EnsureBucket prepares what holds a vehicle's files until they are taken in: their
// pieces, and an object store for couriers that send none yet. That is as the client
// library makes one, but for one thing: it has no direct reading. The answer to
// that is the stored bytes as they are, sent to whatever subject the asker names;
// a vehicle could so have its own bytes put among another's records.
func EnsureBucket(ctx context.Context, js jetstream.JetStream, vehicle string, replicas int) error {
	if !wire.VehicleName(vehicle) {
		return nameError(vehicle)
	}
	b := wire.Bucket(vehicle)
	_, err := js.CreateOrUpdateStream(ctx, jetstream.StreamConfig{
		Name: "OBJ_" + b, Subjects: []string{wire.Pieces(vehicle, "*", "*"), "$O." + b + ".C.>", "$O." + b + ".M.>"}, Description: "files of vehicle " + vehicle,
		Storage: jetstream.FileStorage, Discard: jetstream.DiscardNew, AllowRollup: true, AllowDirect: false,
		MaxMsgSize: maxPart, MaxMsgs: maxBucketMsgs, Replicas: max(replicas, 1),
	})
	if err != nil {
		return fmt.Errorf("the bucket %s: %w", b, err)
	}
	return nil
}

// maxWaiting bounds the records of one kind of one vehicle that wait to be taken
// in, so that none holds up the others for long: years of an honest one.
const maxWaiting = 20_000

// maxBucketMsgs bounds what lies in one vehicle's bucket until it is taken in: more than
// the pieces of a file, and at most 3.4 GB of a hostile vehicle. A bound in bytes would be set aside on the medium
// for every vehicle; the running server sends away whose files take more than its
// Quota.
const maxBucketMsgs = 25_000

// maxPart bounds a message of a bucket: a piece, and what an older courier's library
// cuts a part into.
const maxPart = wire.MostPiece + 4<<10

func nameError(vehicle string) error {
	return fmt.Errorf("vehicle %.60q: a name is 1 to 40 of a-z, 0-9 and -", vehicle)
}
