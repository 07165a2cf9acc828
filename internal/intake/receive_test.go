package intake

import (
	"context"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"tawsight/internal/collection"
	"tawsight/vision"
)

func made(t *testing.T) *Intake {
	t.Helper()
	c, err := collection.Create(context.Background(), filepath.Join(t.TempDir(), "deep", "marbles"+collection.Ext))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	return New(c, Options{})
}

// endless is a body that never ends.
type endless struct{ n int64 }

func (e *endless) Read(p []byte) (int, error) {
	e.n += int64(len(p))
	return len(p), nil
}

// What comes from a browser may be called anything: the name is shown, and never
// used as a path.
func TestReceivedFilesGoByTheirContent(t *testing.T) {
	in, ctx := made(t), context.Background()
	i, err := in.Begin(ctx, "Ada", "the page", By{})
	if err != nil {
		t.Fatal(err)
	}
	const sum = "2cf24dba5fb0a30e26e83b2ac5b9e29e1b161e5c1fa7425e73043362938b9824" // SHA-256 of "hello" (NIST FIPS 180-4; coreutils' sha256sum)
	for _, name := range []string{"a.jpg", "../../../etc/passwd.jpg", `C:\windows\x.JPG`, "/abs/olute.jpg", "line\nbreak.jpg", "bad\xffutf8.jpg", strings.Repeat("long", 500) + ".jpg"} {
		f, err := in.Receive(ctx, i.ID, name, strings.NewReader("hello"))
		if err != nil {
			t.Errorf("%q: %v", name, err)
			continue
		}
		if want := filepath.Join(in.c.UploadsDir(), sum+".jpg"); f.Path != want {
			t.Errorf("%q lies at %s, want %s", name, f.Path, want)
		}
	}
	entries, err := os.ReadDir(in.c.UploadsDir())
	if err != nil || len(entries) != 1 {
		t.Errorf("%d files were kept (%v), want the one", len(entries), err)
	}
	if data, err := os.ReadFile(filepath.Join(in.c.UploadsDir(), sum+".jpg")); err != nil || string(data) != "hello" {
		t.Errorf("kept %q, %v", data, err)
	}
	files, err := in.c.IntakeFiles(ctx, i.ID)
	if err != nil || len(files) != 1 {
		t.Errorf("%d files wait (%v): one content is one file", len(files), err)
	}
	for _, name := range []string{"letter.txt", "run.sh", "photo", ".jpg.exe", ""} {
		if _, err := in.Receive(ctx, i.ID, name, strings.NewReader("hello")); !errors.Is(err, ErrNotAPhoto) {
			t.Errorf("%q: %v, want ErrNotAPhoto", name, err)
		}
	}
}

func TestReceiveStopsAtTheLimit(t *testing.T) {
	if testing.Short() {
		t.Skip("writes as much as the limit")
	}
	in, ctx := made(t), context.Background()
	i, err := in.Begin(ctx, "Ada", "the page", By{})
	if err != nil {
		t.Fatal(err)
	}
	body := &endless{}
	if _, err := in.Receive(ctx, i.ID, "big.jpg", body); !errors.Is(err, ErrTooLarge) {
		t.Errorf("an endless file: %v, want ErrTooLarge", err)
	}
	if body.n > vision.MaxFileBytes+1<<20 {
		t.Errorf("%d bytes were read past the limit", body.n-vision.MaxFileBytes)
	}
	if left, err := os.ReadDir(in.c.UploadsDir()); err != nil || len(left) != 0 {
		t.Errorf("%d files were left behind (%v)", len(left), err)
	}
	// A browser that goes away leaves nothing either.
	r, w := io.Pipe()
	go func() { w.Write([]byte("half a pho")); w.CloseWithError(io.ErrUnexpectedEOF) }()
	if _, err := in.Receive(ctx, i.ID, "half.jpg", r); !errors.Is(err, io.ErrUnexpectedEOF) {
		t.Errorf("a file cut short: %v", err)
	}
	if left, err := os.ReadDir(in.c.UploadsDir()); err != nil || len(left) != 0 {
		t.Errorf("%d files were left behind (%v)", len(left), err)
	}
}
