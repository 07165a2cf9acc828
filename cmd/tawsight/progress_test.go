package main

import (
	"bytes"
	"testing"
	"time"
)

func TestTimeLeft(t *testing.T) {
	for _, c := range []struct {
		elapsed     time.Duration
		done, total int
		want        string
	}{
		{10 * time.Second, 1, 3, "20 s left"},
		{time.Millisecond, 9, 10, "1 s left"},
		{time.Minute, 1, 4, "3 min left"},
		{time.Hour, 2, 5, "1.5 h left"},
		{time.Second, 5, 5, ""},
		{time.Second, 0, 5, ""},
	} {
		if got := timeLeft(c.elapsed, c.done, c.total); got != c.want {
			t.Errorf("%v for %d of %d: %q, want %q", c.elapsed, c.done, c.total, got, c.want)
		}
	}
}

func TestNoBarOnAPipe(t *testing.T) {
	var w bytes.Buffer
	p := newProgress(&w)
	p.photo(1, 2, "a.jpg")
	p.done()
	if w.Len() > 0 {
		t.Errorf("%q was written to a pipe", w.String())
	}
}
