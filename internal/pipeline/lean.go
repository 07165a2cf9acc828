package pipeline

import (
	"math"
	"os"
	"runtime/debug"
	"runtime/metrics"
)

// leanBytes is what Go's memory is kept to while little of it is in use.
const leanBytes = 24 << 20

// tablesBytes is the same while tables and page are written, when the workers have
// nothing to do and hold no picture, and heldForTables how many photos' records stay
// at hand then, at 200 kB each.
const (
	tablesBytes   = 64 << 20
	heldForTables = 100
)

// lean has Go give memory back. What workers hand over are pictures of many
// megabytes, soon done with, and Go keeps such room for a while. The limit moves
// with what is in use, so that it never makes Go collect without end. The user's
// own GOMEMLIMIT stands. To be called now and then.
func lean() { leanTo(leanBytes) }

// leanTo is lean with another bound.
func leanTo(bytes float64) {
	if os.Getenv("GOMEMLIMIT") != "" {
		return
	}
	live := []metrics.Sample{{Name: "/gc/heap/live:bytes"}}
	metrics.Read(live)
	used := 0.0
	if live[0].Value.Kind() == metrics.KindUint64 {
		used = float64(live[0].Value.Uint64())
	}
	debug.SetMemoryLimit(int64(math.Max(bytes, 1.5*used+bytes/2)))
}
