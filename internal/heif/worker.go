package heif

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"runtime"
	"strings"
	"sync"
	"time"
)

// Limits of one decoding. Past either the file is given up, not the program.
const (
	// MaxTime is for slow machines: 12 megapixels take a few seconds.
	MaxTime = 2 * time.Minute
	// MaxPixels is what fits the decoder's memory, and a little more than
	// phones that write HEIC take (48 megapixels).
	MaxPixels = 52_000_000
)

// The decoder's code can't be interrupted, neither by a clock nor by Go's
// garbage collector, which would make everything else wait for it. So it runs
// in a process of its own: this program once more, told by this variable to be
// nothing but a decoder. A hostile file can keep that busy, and it is killed.
const workerVariable = "TAWSIGHT_HEIC_DECODER"

func init() {
	if job := os.Getenv(workerVariable); job != "" {
		os.Exit(work(job))
	}
}

// work is the other process: it reads the file from standard input and writes
// the pixels to standard output, or why not to standard error.
func work(job string) int {
	fail := func(err error) int {
		fmt.Fprint(os.Stderr, err)
		return 1
	}
	var info Info
	if err := json.Unmarshal([]byte(job), &info); err != nil {
		return fail(err)
	}
	data, err := io.ReadAll(os.Stdin)
	if err != nil {
		return fail(err)
	}
	bgr := make([]byte, 3*info.Width*info.Height)
	if err := convert(data, info, bgr); err != nil {
		return fail(err)
	}
	out := bufio.NewWriter(os.Stdout)
	_, err = out.Write(bgr)
	if err = errors.Join(err, out.Flush()); err != nil {
		return fail(err)
	}
	return 0
}

// here has this process decode by itself; see [StayHere].
var here bool

// StayHere has Decode decode in this process, which saves starting another: for
// processes that do nothing else meanwhile, and whose parent ends them when they
// take too long or too much memory. The limit of time does not hold then.
func StayHere() { here = true }

// one keeps two decodings from taking memory at a time.
var one sync.Mutex

// Decode decodes the primary picture of a file that Inspect has passed, upright,
// into bgr, which holds 3 * width * height bytes, 8 bits each: B, G, R. It is given
// up after limit.
func Decode(data []byte, info Info, bgr []byte, limit time.Duration) error {
	if len(bgr) != 3*info.Width*info.Height || info.Width*info.Height > MaxPixels {
		return errors.New("the picture is too large")
	}
	if here {
		return convert(data, info, bgr)
	}
	self, err := os.Executable()
	if runtime.GOOS == "linux" {
		self = "/proc/self/exe" // there even if the program's file was replaced
	} else if err != nil {
		return fmt.Errorf("the HEIC decoder can't be started: %w", err)
	}
	job, err := json.Marshal(Info{Width: info.Width, Height: info.Height, Colour: info.Colour})
	if err != nil {
		return err
	}
	one.Lock()
	defer one.Unlock()
	ctx, cancel := context.WithTimeout(context.Background(), limit)
	defer cancel()
	cmd := exec.CommandContext(ctx, self)
	cmd.Env = append(os.Environ(), workerVariable+"="+string(job))
	cmd.Stdin = bytes.NewReader(data)
	var said bytes.Buffer
	cmd.Stderr = &said
	cmd.WaitDelay = 2 * time.Second
	out, err := cmd.StdoutPipe()
	if err != nil {
		return err
	}
	if err := cmd.Start(); err != nil {
		return fmt.Errorf("the HEIC decoder can't be started: %w", err)
	}
	n, _ := io.ReadFull(out, bgr)
	err = cmd.Wait()
	switch {
	case ctx.Err() != nil:
		return fmt.Errorf("decoding it took more than %v", limit)
	case err == nil && n == len(bgr):
		return nil
	}
	why, _, _ := strings.Cut(said.String(), "\n")
	if why == "" || len(why) > 200 {
		return errDecoder
	}
	return errors.New(why)
}
