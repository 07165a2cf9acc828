// Package worker runs jobs in processes of their own: this program once more,
// each doing one job after the other. A job that crashes its process, takes too
// long or too much memory costs that job and nothing else.
//
// Jobs and answers are bytes; what they mean is the caller's business.
package worker

import (
	"bufio"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"runtime/debug"
	"syscall"
)

// Arg is the one argument by which this program knows that it is a worker.
const Arg = "photo-worker"

// Is says whether this process was started as a worker.
func Is() bool { return len(os.Args) == 2 && os.Args[1] == Arg }

// answersFD is where answers go: the standard output may be written to by
// libraries.
const answersFD = 3

// maxFrame is past any job or answer, bytes: a longer one means that the two
// sides have lost each other.
const maxFrame = 1 << 30

// Serve does jobs until its parent has gone or wants no more, then ends the
// process; it never returns. do must not panic; the parts of its answer are sent one
// after the other.
func Serve(do func(job []byte) [][]byte) {
	// Ctrl-C goes to all processes of a terminal; what it means is for the parent
	// to say.
	signal.Ignore(os.Interrupt)
	confine()
	syscall.CloseOnExec(answersFD) // or a decoder's process would hold it open
	out := os.NewFile(answersFD, "answers")
	if out == nil {
		os.Exit(2)
	}
	jobs := make(chan []byte)
	go func() {
		// Read on during a job: the end of the input is the parent's end, and
		// nobody waits for the answer then.
		in := bufio.NewReader(os.Stdin)
		for {
			job, err := readFrame(in)
			if err != nil {
				os.Exit(0)
			}
			jobs <- job
		}
	}()
	for job := range jobs {
		if err := writeFrame(out, do(job)...); err != nil {
			os.Exit(1)
		}
		// What the job took is free again: it need not lie about while the next
		// takes what it needs elsewhere.
		debug.FreeOSMemory()
	}
}

func writeFrame(w io.Writer, parts ...[]byte) error {
	size := 0
	for _, part := range parts {
		size += len(part)
	}
	if size > maxFrame {
		return fmt.Errorf("%d bytes are too many for one message", size)
	}
	// Small parts go together: each write wakes the other side.
	out := bufio.NewWriterSize(w, 1<<14)
	_ = binary.Write(out, binary.BigEndian, uint32(size)) // an error stays with the writer
	for _, part := range parts {
		if _, err := out.Write(part); err != nil {
			return err
		}
	}
	return out.Flush()
}

func readFrame(r io.Reader) ([]byte, error) {
	var head [4]byte
	if _, err := io.ReadFull(r, head[:]); err != nil {
		return nil, err
	}
	n := binary.BigEndian.Uint32(head[:])
	if n > maxFrame {
		return nil, errors.New("the message's length is nonsense")
	}
	b := make([]byte, n)
	_, err := io.ReadFull(r, b)
	return b, err
}
