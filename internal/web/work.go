package web

import (
	"context"
	"sync"
	"time"
)

// work is something that takes longer than a page may: it is done in the
// background, once for each key (what it is worked out from), and pages ask how
// far it has come.
type work[T any] struct {
	mu    sync.Mutex
	key   string
	share float64 // 0..1
	done  chan struct{}
	value T
	err   error
}

// start begins the work unless it is under way or done for that key.
func (w *work[T]) start(ctx context.Context, key string, do func(ctx context.Context, progress func(float64)) (T, error)) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.done != nil && w.key == key {
		return
	}
	done := make(chan struct{})
	var none T
	w.key, w.share, w.done, w.value, w.err = key, 0, done, none, nil
	mine := func(f func()) {
		w.mu.Lock()
		defer w.mu.Unlock()
		if w.done == done { // else something newer was begun
			f()
		}
	}
	go func() {
		defer close(done)
		v, err := do(ctx, func(share float64) { mine(func() { w.share = share }) })
		mine(func() { w.value, w.err = v, err })
	}()
}

// get is what the work for that key came to. ready is false while it is under
// way, share being how far it has come, and where it was never begun.
func (w *work[T]) get(key string) (v T, ready bool, share float64, err error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.done == nil || w.key != key {
		return v, false, 0, nil
	}
	select {
	case <-w.done:
		return w.value, true, 1, w.err
	default:
		return v, false, w.share, nil
	}
}

// begun says whether there is work for that key, done or under way.
func (w *work[T]) begun(key string) bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.done != nil && w.key == key
}

// wait gives the work for that key a moment to come to its end.
func (w *work[T]) wait(ctx context.Context, key string, atMost time.Duration) {
	w.mu.Lock()
	done := w.done
	if w.key != key {
		done = nil
	}
	w.mu.Unlock()
	if done == nil {
		return
	}
	select {
	case <-done:
	case <-ctx.Done():
	case <-time.After(atMost):
	}
}

// forget throws the result away; work under way ends unheard.
func (w *work[T]) forget() {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.key, w.done = "", nil
}

// moment is how long a page waits for work before it is shown without.
const moment = 700 * time.Millisecond
