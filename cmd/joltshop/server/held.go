package server

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"

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

// PutHeld puts what WriteHeld left into the vehicle's bucket, which must be there.
func PutHeld(ctx context.Context, js jetstream.JetStream, dir, vehicle string) error {
	b, err := os.ReadFile(heldPath(dir, vehicle))
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	bucket, err := js.ObjectStore(ctx, wire.Bucket(vehicle))
	if err == nil {
		_, err = bucket.PutBytes(ctx, wire.HeldName, b)
	}
	if err != nil {
		return fmt.Errorf("what is held of vehicle %s: %w", vehicle, err)
	}
	return os.Remove(heldPath(dir, vehicle))
}
