package main

import (
	"fmt"
	"io"
	"os"
	"path/filepath"
	"sync"
	"time"

	"github.com/schollz/progressbar/v3"
	"golang.org/x/term"
)

// progress is a bar with the time left on a terminal, and nothing elsewhere.
type progress struct {
	mu       sync.Mutex
	w        io.Writer
	terminal bool
	start    time.Time
	bar      *progressbar.ProgressBar
}

func newProgress(w io.Writer) *progress {
	f, ok := w.(*os.File)
	return &progress{w: w, terminal: ok && term.IsTerminal(int(f.Fd())), start: time.Now()}
}

// photo shows that done of total photos are measured, path the latest.
func (p *progress) photo(done, total int, path string) {
	if !p.terminal {
		return
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.bar == nil {
		p.bar = progressbar.NewOptions(total,
			progressbar.OptionSetWriter(p.w),
			progressbar.OptionShowCount(),
			progressbar.OptionSetElapsedTime(false),
			progressbar.OptionSetPredictTime(false),
			progressbar.OptionSetWidth(24),
			progressbar.OptionClearOnFinish(),
			progressbar.OptionUseANSICodes(true),
		)
	}
	name := []rune(filepath.Base(path))
	if len(name) > 24 {
		name = append(name[:23], '…')
	}
	p.bar.Describe(fmt.Sprintf("%s  %s", string(name), timeLeft(time.Since(p.start), done, total)))
	p.bar.Set(done) // fails only where done exceeds total, which costs a bar its look
}

// timeLeft is what remains if the rest goes as the photos so far went.
func timeLeft(elapsed time.Duration, done, total int) string {
	if done <= 0 || done >= total {
		return ""
	}
	left := elapsed * time.Duration(total-done) / time.Duration(done)
	if left < time.Minute {
		return fmt.Sprintf("%.0f s left", max(1, left.Seconds()))
	}
	if left < time.Hour {
		return fmt.Sprintf("%.0f min left", left.Minutes())
	}
	return fmt.Sprintf("%.1f h left", left.Hours())
}

// done takes the bar away; calling it again does no harm.
func (p *progress) done() {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.bar != nil {
		p.bar.Clear()
		p.bar = nil
	}
}
