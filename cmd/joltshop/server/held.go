package server

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"github.com/nats-io/nats.go/jetstream"

	"joltwatch/storage/wire"
)

func heldPath(dir, vehicle string) string { return filepath.Join(dir, "held", vehicle+".json") }

// WriteHeld leaves, in the shop's folder, what it has of a vehicle. A server that
// starts there tells the vehicle when it next comes.
func WriteHeld(dir, vehicle string, h *wire.Held) error {
	if !wire.VehicleName(vehicle) {
		return nameError(vehicle)
	}
	b, err := h.Encode()
	if err != nil {
		return fmt.Errorf("vehicle %s: %w", vehicle, err)
	}
	if err := os.MkdirAll(filepath.Join(dir, "held"), 0o700); err != nil {
		return err
	}
	return writeFile(heldPath(dir, vehicle), b)
}

// ToldIn are the vehicles for which WriteHeld left something that is not told yet.
func ToldIn(dir string) ([]string, error) { return listed(filepath.Join(dir, "held")) }

// PutHeld tells the vehicle what WriteHeld left: in the stream of that, and where the
// vehicle has a bucket, for a courier of before, there.
func PutHeld(ctx context.Context, js jetstream.JetStream, dir, vehicle string) error {
	b, err := os.ReadFile(heldPath(dir, vehicle))
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	if err == nil {
		err = tell(ctx, js, vehicle, b)
	}
	if err == nil {
		err = tellBefore(ctx, js, vehicle, b)
	}
	if err != nil {
		return fmt.Errorf("what is held of vehicle %s: %w", vehicle, err)
	}
	if err := os.Remove(heldPath(dir, vehicle)); !errors.Is(err, os.ErrNotExist) {
		return err
	}
	return nil // another intake told it too
}

// tell puts the list's parts into the stream, then its head, and lets earlier ones go.
func tell(ctx context.Context, js jetstream.JetStream, vehicle string, list []byte) error {
	name, parts := wire.Identity(list), 0
	for part := range slices.Chunk(list, wire.HeldPartBytes) {
		if _, err := js.Publish(ctx, wire.HeldPart(vehicle, name, strconv.Itoa(parts)), part); err != nil {
			return err
		}
		parts++
	}
	head, err := json.Marshal(wire.HeldHead{List: name, Parts: parts})
	if err == nil {
		_, err = js.Publish(ctx, wire.HeldHeadOf(vehicle), head)
	}
	if err != nil {
		return err
	}
	st, err := js.Stream(ctx, wire.HeldStream)
	if err != nil {
		return err
	}
	info, err := st.Info(ctx, jetstream.WithSubjectFilter(wire.HeldPart(vehicle, "*", "*")))
	if err != nil {
		return err
	}
	for subject := range info.State.Subjects {
		if !strings.HasPrefix(subject, wire.HeldPart(vehicle, name, "")) {
			err = errors.Join(err, st.Purge(ctx, jetstream.WithPurgeSubject(subject)))
		}
	}
	return err
}

func tellBefore(ctx context.Context, js jetstream.JetStream, vehicle string, list []byte) error {
	bucket, err := js.ObjectStore(ctx, wire.Bucket(vehicle))
	if errors.Is(err, jetstream.ErrBucketNotFound) {
		return nil
	}
	if err == nil {
		_, err = bucket.PutBytes(ctx, wire.HeldName, list)
	}
	return err
}
