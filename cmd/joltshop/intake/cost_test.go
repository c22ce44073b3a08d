package intake

import (
	"bytes"
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"joltwatch/cmd/develop/expense"
	"joltwatch/cmd/joltshop/dataset"
	"joltwatch/storage/wire"
)

// What a megabyte from a vehicle may cost the shop.
const (
	mostMemory = 64 << 20
	mostTime   = 4 * time.Second // 1.7 s where each of 8,066 accounts is of a day of its own
	mostInput  = 1 << 20
)

// A megabyte of records, whatever is in them, is read, laid down or refused at a
// bounded cost; and so is one of files that their vehicle made to be costly, which
// storage tests file by file.
func TestCostlyRecords(t *testing.T) {
	if testing.Short() {
		t.Skip("goes by processor time")
	}
	const begin = `{"version":2,"kind":%q,"vehicle":"van-1","stay":"s","at_us":%d,`
	event := func(at int64, rest string) string {
		return fmt.Sprintf(begin+`"event":{"id":"1-1","start_us":1,"end_us":2,"finding":{"kind":"mark","class":"mark"%s}}}`, "event", at, rest)
	}
	account := func(at int64, rest string) string {
		return fmt.Sprintf(begin+`"account":{"drive":1,"start_us":1,"end_us":2%s}}`, "account", at, rest)
	}
	many := func(one string, most int) string {
		return strings.TrimSuffix(strings.Repeat(one+",", most/(len(one)+1)), ",")
	}
	const now, room = 1772438400000000, wire.MaxRecord - 400
	day := int64(24 * time.Hour / time.Microsecond)
	for name, body := range map[string]func(n int) string{
		"measures": func(n int) string {
			return event(now+int64(n), `,"measures":[`+many(`{"Name":"a","Value":1}`, room)+`]`)
		},
		"empty measures": func(n int) string { return event(now+int64(n), `,"measures":[`+many(`{}`, room)+`]`) },
		"codes":          func(n int) string { return event(now+int64(n), `,"codes":[`+many(`""`, room)+`]`) },
		"opportunities":  func(n int) string { return account(now+int64(n), `,"opportunities":[`+many(`{"kind":"a"}`, room)+`]`) },
		"roles":          func(n int) string { return account(now+int64(n), `,"roles":[`+many(`{}`, room)+`]`) },
		"deep": func(n int) string {
			return event(now+int64(n), `,"x":`+strings.Repeat("[", 9000)+strings.Repeat("]", 9000))
		},
		"too deep":        func(n int) string { return strings.Repeat("[", wire.MaxRecord) },
		"white":           func(n int) string { return event(now, "") + strings.Repeat(" ", room) },
		"keys":            func(n int) string { return event(now, `,"x":{`+many(`"":0`, room)+`}`) },
		"escapes":         func(n int) string { return event(now, `,"kind":"`+strings.Repeat(`\u0001`, room/6)+`"`) },
		"a day each":      func(n int) string { return event(now-int64(n)*day, "") },
		"accounts by day": func(n int) string { return account(now-int64(n)*day, "") },
		"of one day":      func(n int) string { return event(now+int64(n), "") },
		"troubles of a unit": func(n int) string {
			return fmt.Sprintf(begin+`"unit":{"troubles":[`+many(`"x"`, room)+`]}}`, "unit", now+n)
		},
	} {
		var all [][]byte
		size := 0
		for n := 0; size < mostInput; n++ {
			all = append(all, []byte(body(n)))
			size += len(all[n])
		}
		laid := 0
		take := func() {
			data, err := dataset.Open(t.TempDir())
			if err != nil {
				t.Fatal(err)
			}
			laid = 0
			for i, b := range all {
				r, err := wire.Decode(bytes.Clone(b))
				if err == nil && data.Add(r, wire.Identity(b), time.UnixMicro(now)) == nil {
					laid++
				}
				if i%batch == batch-1 || i == len(all)-1 {
					if err := data.Flush(context.Background()); err != nil {
						t.Fatal(err)
					}
				}
			}
		}
		_, cpu := expense.By(100, take)
		peak, _ := expense.By(20, take)
		t.Logf("%s: %d records, %d bytes, %d laid down, take %.1f MiB and %.2f s", name, len(all), size, laid, float64(peak)/(1<<20), cpu.Seconds())
		if peak > mostMemory || expense.TooLong(take, cpu, mostTime) {
			t.Errorf("%s: %d records of %d bytes take %.1f MiB and %.2f s, at most %d MiB and %v", name, len(all), size, float64(peak)/(1<<20), cpu.Seconds(), mostMemory>>20, mostTime)
		}
	}
}
