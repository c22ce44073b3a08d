package bus

import "testing"

// That a device is away is told once, until it has come back.
func TestDownIsToldOnce(t *testing.T) {
	o := outbox{bus: 3}
	o.setDown()
	o.setDown()
	batch := make([]Frame, 8)
	n, err := o.hand(batch, nil) // something waits: nothing is taken in
	if err != nil || n != 1 || batch[0].Kind != Notice || NoticeCode(batch[0].ID) != NoticeDown || batch[0].Bus != 3 {
		t.Errorf("%d frames, %v: %+v", n, err, batch[:n])
	}
}
