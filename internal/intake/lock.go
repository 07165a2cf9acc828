package intake

import (
	"errors"
	"fmt"
	"os"
	"syscall"
)

// lock takes the file at path for this process until release is called or the
// process ends, however it ends (flock(2)). The error is [ErrBusy] where another
// process has it.
func lock(path string) (release func(), err error) {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_RDWR, 0o644)
	if err != nil {
		return nil, fmt.Errorf("the collection can't be added to: %w", err)
	}
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		f.Close()
		if errors.Is(err, syscall.EWOULDBLOCK) {
			return nil, ErrBusy
		}
		return nil, fmt.Errorf("the collection can't be added to: %w", err)
	}
	return func() { f.Close() }, nil
}
