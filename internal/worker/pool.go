package worker

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"os"
	"os/exec"
	"runtime"
	"strings"
	"sync"
	"syscall"
	"time"
)

// Limits of one job and one process. Where a limit can't be watched on a system
// (CPU and memory are, on Linux), it does not hold there.
type Limits struct {
	// CPU is the computing time of one job, all cores together; Wall the time by
	// the clock, which a loaded machine may stretch.
	CPU, Wall time.Duration
	// MemoryBytes is what a process may have in memory (its resident set).
	MemoryBytes int64
	// A process ends after Jobs, or once it keeps RetireBytes in memory between
	// two jobs, so that what leaks never adds up; and after Idle without a job.
	Jobs        int
	RetireBytes int64
	Idle        time.Duration
}

// Pool keeps processes that wait for jobs. It starts as many as there are jobs
// at a time: how many that is, is for the callers to bound.
type Pool struct {
	limits Limits

	mu      sync.Mutex
	idle    []*process // the one used last at the end
	closed  bool
	clock   *time.Timer
	started int
	losses  map[Cause]int
}

// NewPool is a pool without processes; they come with the first jobs.
func NewPool(l Limits) *Pool { return &Pool{limits: l, losses: map[Cause]int{}} }

// Cause is why a job was lost.
type Cause int

const (
	Crashed Cause = iota // the process ended by itself
	TooLong
	TooLarge // it took too much memory
	Ended    // something else killed it, most likely the system for want of memory
)

// Lost is the error of a job whose process did not live to answer.
type Lost struct {
	Cause Cause
	How   string // the process's end, in the system's words
	Said  string // what it wrote on its standard error at last
}

func (l *Lost) Error() string { return "a worker was lost: " + l.How }

// ErrStart is wrapped by the error of a process that can't be started.
var ErrStart = errors.New("no worker process can be started")

// Do has a job done and gives its answer. A job that is lost is tried once more
// in a fresh process; the error of the second loss is a *[Lost]. Where the
// context ends, the process is ended too.
func (p *Pool) Do(ctx context.Context, job []byte, log *slog.Logger) ([]byte, error) {
	answer, err := p.once(ctx, job, log, false)
	var lost *Lost
	if errors.As(err, &lost) && ctx.Err() == nil {
		log.Warn("a worker was lost; its photo is tried once more", "why", lost.How, "said", lost.Said)
		answer, err = p.once(ctx, job, log, true)
	}
	if ctx.Err() != nil {
		return nil, ctx.Err()
	}
	return answer, err
}

func (p *Pool) once(ctx context.Context, job []byte, log *slog.Logger, fresh bool) ([]byte, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	w, err := p.take(fresh)
	if err != nil {
		return nil, err
	}
	answer, err := w.do(ctx, job, p.limits)
	if said := w.said.take(); said != "" {
		log.Debug("a worker said", "text", said)
	}
	var lost *Lost
	if errors.As(err, &lost) {
		p.mu.Lock()
		p.losses[lost.Cause]++
		p.mu.Unlock()
	}
	if err != nil {
		return nil, err
	}
	p.put(w)
	return answer, nil
}

func (p *Pool) take(fresh bool) (*process, error) {
	p.mu.Lock()
	if n := len(p.idle); n > 0 && !fresh {
		w := p.idle[n-1]
		p.idle = p.idle[:n-1]
		p.mu.Unlock()
		return w, nil
	}
	p.started++
	p.mu.Unlock()
	return start()
}

func (p *Pool) put(w *process) {
	w.jobs++
	w.since = time.Now()
	rss, _, ok := usage(w.cmd.Process.Pid)
	if w.jobs >= p.limits.Jobs || ok && rss > p.limits.RetireBytes {
		w.end()
		return
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.closed {
		go w.end()
		return
	}
	p.idle = append(p.idle, w)
	if p.clock == nil {
		p.clock = time.AfterFunc(p.limits.Idle, p.tidy)
	}
}

// tidy ends the processes that have had nothing to do for long.
func (p *Pool) tidy() {
	p.mu.Lock()
	defer p.mu.Unlock()
	var keep []*process
	for _, w := range p.idle {
		if time.Since(w.since) >= p.limits.Idle {
			go w.end()
		} else {
			keep = append(keep, w)
		}
	}
	p.idle, p.clock = keep, nil
	if len(keep) > 0 {
		p.clock = time.AfterFunc(p.limits.Idle, p.tidy)
	}
}

// Close ends the processes that wait; those at work end after their job.
func (p *Pool) Close() {
	p.mu.Lock()
	idle := p.idle
	p.idle, p.closed = nil, true
	if p.clock != nil {
		p.clock.Stop()
	}
	p.mu.Unlock()
	for _, w := range idle {
		w.end()
	}
}

// Started is how many processes there have been.
func (p *Pool) Started() int {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.started
}

// Losses counts the processes that were lost, by cause.
func (p *Pool) Losses() map[Cause]int {
	p.mu.Lock()
	defer p.mu.Unlock()
	return maps.Clone(p.losses)
}

// process is one worker.
type process struct {
	cmd     *exec.Cmd
	in, out *os.File // this side's ends
	said    *tail
	jobs    int
	since   time.Time // without a job
	once    sync.Once
	state   *os.ProcessState
}

func start() (*process, error) {
	self, err := os.Executable()
	if runtime.GOOS == "linux" {
		self = "/proc/self/exe" // there even if the program's file was replaced
	} else if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrStart, err)
	}
	fail := func(err error, open ...*os.File) (*process, error) {
		for _, f := range open {
			f.Close()
		}
		return nil, fmt.Errorf("%w: %w", ErrStart, err)
	}
	childIn, in, err := os.Pipe()
	if err != nil {
		return fail(err)
	}
	out, childOut, err := os.Pipe()
	if err != nil {
		return fail(err, childIn, in)
	}
	widen(out)
	w := &process{in: in, out: out, said: &tail{}}
	w.cmd = exec.Command(self, Arg)
	w.cmd.Args[0] = os.Args[0]
	w.cmd.Env = append(frugal[:len(frugal):len(frugal)], os.Environ()...)
	w.cmd.Stdin = childIn
	w.cmd.ExtraFiles = []*os.File{childOut} // answersFD
	w.cmd.Stdout, w.cmd.Stderr = w.said, w.said
	w.cmd.WaitDelay = 2 * time.Second
	w.cmd.SysProcAttr = dieWithParent()
	err = w.cmd.Start()
	childIn.Close()
	childOut.Close()
	if err != nil {
		return fail(err, in, out)
	}
	return w, nil
}

// wait waits for the process's end and frees what it held.
func (w *process) wait() *os.ProcessState {
	w.once.Do(func() {
		w.in.Close()
		_ = w.cmd.Wait() // how it ended is in the state
		w.out.Close()
		w.state = w.cmd.ProcessState
	})
	return w.state
}

// end ends a process that has no job.
func (w *process) end() {
	w.in.Close()
	patience := time.AfterFunc(2*time.Second, func() { _ = w.cmd.Process.Kill() })
	w.wait()
	patience.Stop()
}

// do has one job done. The error is a *Lost, or the context's; the process is gone
// then.
func (w *process) do(ctx context.Context, job []byte, l Limits) ([]byte, error) {
	type reply struct {
		b   []byte
		err error
	}
	got := make(chan reply, 1)
	go func() {
		if err := writeFrame(w.in, job); err != nil {
			got <- reply{nil, err}
			return
		}
		b, err := readFrame(w.out)
		got <- reply{b, err}
	}()
	began := time.Now()
	_, before, _ := usage(w.cmd.Process.Pid)
	look := time.NewTicker(watchEvery)
	defer look.Stop()
	lose := func(c Cause, how string) ([]byte, error) {
		_ = w.cmd.Process.Kill()
		<-got
		w.wait()
		return nil, &Lost{Cause: c, How: how, Said: w.said.take()}
	}
	for {
		select {
		case r := <-got:
			if r.err == nil {
				return r.b, nil
			}
			_ = w.cmd.Process.Kill() // where it only closed its output
			return nil, lost(w.wait(), w.said.take())
		case <-ctx.Done():
			_ = w.cmd.Process.Kill()
			<-got
			w.wait()
			return nil, ctx.Err()
		case <-look.C:
			if time.Since(began) > l.Wall {
				return lose(TooLong, fmt.Sprintf("no answer in %v", l.Wall))
			}
			rss, cpu, ok := usage(w.cmd.Process.Pid)
			switch {
			case !ok:
			case rss > l.MemoryBytes:
				return lose(TooLarge, fmt.Sprintf("it had %d MB in memory, past the limit of %d MB", rss>>20, l.MemoryBytes>>20))
			case cpu-before > l.CPU:
				return lose(TooLong, fmt.Sprintf("no answer after %v of computing", l.CPU))
			}
		}
	}
}

// watchEvery is how often a process at work is looked at: at the speed at which
// memory can be filled it gets a few hundred megabytes past its limit at most.
const watchEvery = 50 * time.Millisecond

func lost(state *os.ProcessState, said string) *Lost {
	l := &Lost{Cause: Crashed, How: "it ended by itself", Said: said}
	if state != nil {
		l.How = state.String()
		if s, ok := state.Sys().(syscall.WaitStatus); ok && s.Signaled() && s.Signal() == syscall.SIGKILL {
			l.Cause = Ended
		}
	}
	// What the allocators say: Go's, C++'s, OpenCV's.
	for _, sign := range []string{"out of memory", "bad_alloc", "Insufficient memory", "cannot allocate memory"} {
		if strings.Contains(said, sign) {
			l.Cause = TooLarge
		}
	}
	return l
}

// tail keeps the last of what was written to it.
type tail struct {
	mu sync.Mutex
	b  []byte
}

const tailBytes = 4096

func (t *tail) Write(b []byte) (int, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.b = append(t.b, b...)
	if n := len(t.b) - tailBytes; n > 0 {
		t.b = append(t.b[:0], t.b[n:]...)
	}
	return len(b), nil
}

// take gives what was kept, and forgets it.
func (t *tail) take() string {
	t.mu.Lock()
	defer t.mu.Unlock()
	s := strings.TrimSpace(strings.ToValidUTF8(string(t.b), "?"))
	t.b = nil
	return s
}

// frugal are a worker's surroundings, which the user's own override. There is a
// worker a core, so each computes on one thread. Where the C library is glibc from
// 2.35 on and the system lends large pages to those that ask, it asks: a photo's
// memory then comes by 2 MB at a time, and not by 4 kB, each of which the system has
// to see to. OpenBLAS, which OpenCV brings along, would start threads that wait busily
// for a while, though nothing here calls it. See GiveBack for the rest.
var frugal = []string{
	"OPENBLAS_NUM_THREADS=1",
	"MALLOC_ARENA_MAX=2", "GLIBC_TUNABLES=glibc.malloc.hugetlb=1",
	"GOMAXPROCS=1", "GOGC=70", "GOMEMLIMIT=40MiB",
}
