//go:build !linux

package main

import "errors"

func openInterface(string) (canInterface, error) {
	return nil, errors.New("CAN interfaces are Linux's: this system has none")
}
