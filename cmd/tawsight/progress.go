package main

import (
	"io"
	"os"
	"path/filepath"
	"sync"

	"github.com/schollz/progressbar/v3"
	"golang.org/x/term"
)

// progress is a bar with the time left on a terminal, and nothing elsewhere.
type progress struct {
	mu       sync.Mutex
	w        io.Writer
	terminal bool
	bar      *progressbar.ProgressBar
}

func newProgress(w io.Writer) *progress {
	f, ok := w.(*os.File)
	return &progress{w: w, terminal: ok && term.IsTerminal(int(f.Fd()))}
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
			progressbar.OptionSetElapsedTime(true),
			progressbar.OptionSetPredictTime(true),
			progressbar.OptionSetWidth(24),
			progressbar.OptionClearOnFinish(),
			progressbar.OptionUseANSICodes(true),
		)
	}
	name := []rune(filepath.Base(path))
	if len(name) > 24 {
		name = append(name[:23], '…')
	}
	p.bar.Describe(string(name))
	p.bar.Set(done) // fails only where done exceeds total, which costs a bar its look
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
