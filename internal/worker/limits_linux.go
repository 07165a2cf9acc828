package worker

import (
	"bytes"
	"os"
	"strconv"
	"syscall"
	"time"
)

// dieWithParent has the system end a worker whose parent was killed, even where
// the worker is stuck in foreign code.
func dieWithParent() *syscall.SysProcAttr {
	return &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
}

// confine is what a worker does to itself at its start.
func confine() {
	// A crash must not leave gigabytes behind.
	_ = syscall.Setrlimit(syscall.RLIMIT_CORE, &syscall.Rlimit{})
	// Where the machine is short of memory, a photo is to go, not the program.
	_ = os.WriteFile("/proc/self/oom_score_adj", []byte("500"), 0)
}

// widen has a pipe hold as much as any user's may (pipe(7)), so that the two sides
// of a long answer need not take turns. Where that fails it stays as it is.
func widen(f *os.File) {
	c, err := f.SyscallConn()
	if err != nil {
		return
	}
	_ = c.Control(func(fd uintptr) { _, _, _ = syscall.Syscall(syscall.SYS_FCNTL, fd, setPipeSize, 1<<20) })
}

// setPipeSize is F_SETPIPE_SZ (fcntl(2)), which package syscall does not name.
const setPipeSize = 1031

// ticks is the unit of times in /proc, USER_HZ, which is 100 on every
// architecture that Go runs on (proc(5)).
const ticks = time.Second / 100

// usage is what a process has in memory (bytes) and has computed.
func usage(pid int) (rss int64, cpu time.Duration, ok bool) {
	b, err := os.ReadFile("/proc/" + strconv.Itoa(pid) + "/stat")
	if err != nil {
		return 0, 0, false
	}
	// The name, in brackets, may hold anything (proc(5)).
	i := bytes.LastIndexByte(b, ')')
	if i < 0 {
		return 0, 0, false
	}
	f := bytes.Fields(b[i+1:]) // from field 3 on
	if len(f) < 22 {
		return 0, 0, false
	}
	n := func(field int) int64 {
		v, _ := strconv.ParseInt(string(f[field-3]), 10, 64)
		return v
	}
	return n(24) * int64(os.Getpagesize()), time.Duration(n(14)+n(15)) * ticks, true
}
