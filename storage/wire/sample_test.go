package wire

import (
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"joltwatch/detect"
)

// Records as couriers of each version have sent them lie in testdata/sent, one a
// file named by version and kind; they are never written anew. Whatever the version of
// this program, it reads them and they say the same.
func TestSentRecords(t *testing.T) {
	list, err := filepath.Glob("testdata/sent/*.json")
	if err != nil {
		t.Fatal(err)
	}
	kinds := map[Kind]int{}
	for _, name := range list {
		body, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		r, err := Decode(body)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		kinds[r.Kind]++
		if r.Vehicle != "van-1" || r.Stay != "stay" || r.Label != "van 7" || r.Run != 2 || r.At != 1772438400000000 {
			t.Errorf("%s: %+v", name, r)
		}
		var want any
		var got any
		switch r.Kind {
		case KindEvent:
			got, want = r.Event, sampleEvent()
		case KindAccount:
			got, want = r.Account, sampleAccount()
		case KindUnit:
			got, want = r.Unit, sampleUnit()
		case KindFile:
			got, want = r.File, sampleFile(r.Version)
		}
		if !reflect.DeepEqual(got, want) {
			t.Errorf("%s is read as\n%+v\nwant\n%+v", name, got, want)
		}
	}
	if kinds[KindEvent] < 2 || kinds[KindAccount] < 1 || kinds[KindUnit] < 1 || kinds[KindFile] < 3 {
		t.Errorf("samples by kind: %v", kinds)
	}
}

func sampleEvent() *Event {
	gear := 3.0
	return &Event{ID: "2-1", StartUs: 5, EndUs: 9, Evidence: "kept",
		Finding: detect.Finding{Kind: detect.KindReleaseLag, Class: detect.ReleaseLate, Drive: 1, Severity: 0.7, Keep: true, MissingInputs: []string{"gear"},
			Measures: []detect.Measure{{Name: "lag_s", Value: 0.8}}, Instants: []detect.Instant{{Name: "command fell", At: 5, Early: 4, Late: 6}},
			Context: detect.Context{Gear: &gear, SinceStartS: 12}},
		Percentiles: []detect.Percentile{{Measure: "lag_s", Share: 0.9, N: 40}}}
}

func sampleAccount() *Account {
	return &Account{Account: detect.Account{Drive: 1, End: 1000, Ended: true, Stops: 9, StopsObserved: 8, Frames: 77, EngineOnS: 12.5,
		Opportunities: []detect.Opportunity{{Kind: detect.KindReleaseLag, Seen: 9, Observable: 8, Hits: 1}},
		Bands:         []detect.Band{{Of: "gear", Label: "2", From: 2, To: 2, Open: 3}},
		Roles:         []detect.RoleCover{{Role: "gear", FreshS: 1, Samples: 4}}}}
}

func sampleUnit() *Unit {
	return &Unit{Program: "sample", StoreBytes: 1, QuotaBytes: 2, FreeBytes: 3, Runs: 4, Cut: 5, Troubles: []string{"a card that refuses"}, LeftFiles: 6, LeftBytes: 7}
}

func sampleFile(version int) *File {
	f := &File{Name: "000001-001.journal", Size: LeastPart + 1, SHA256: strings.Repeat("0a", 32)}
	if version < EarlierFileVersion {
		f.Parts, f.PartBytes = 2, LeastPart
	}
	return f
}
