package main

import (
	"bytes"
	"context"
	"errors"
	"io"
	"io/fs"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"
)

// shared is a buffer that one goroutine writes and another reads.
type shared struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (s *shared) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.Write(p)
}

func (s *shared) String() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.String()
}

func TestServeRefuses(t *testing.T) {
	place := filepath.Join(t.TempDir(), "none", "marbles.tawsight")
	t.Setenv("TAWSIGHT_COLLECTION", place)
	for _, c := range []struct {
		args []string
		says string
	}{
		{[]string{"--addr", "0.0.0.0:0"}, "can be reached from other machines"},
		{[]string{"--addr", "127.0.0.1"}, "not HOST:PORT"},
		{[]string{"--addr", "0.0.0.0:0", "--token", "short"}, "at least 24"},
	} {
		var out, err bytes.Buffer
		if status := run(context.Background(), append([]string{"serve"}, c.args...), &out, &err); status != exitUsage || !strings.Contains(err.String(), c.says) || out.Len() > 0 {
			t.Errorf("serve %v: status %d, says %s%s", c.args, status, out.String(), err.String())
		}
	}
	if _, err := os.Stat(filepath.Dir(place)); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("wrong usage wrote something: %v", err)
	}
}

// The address printed leads to the page, and ending the program ends it.
func TestServe(t *testing.T) {
	t.Setenv("TAWSIGHT_COLLECTION", filepath.Join(t.TempDir(), "marbles.tawsight"))
	for _, c := range []struct {
		args []string
		open bool
	}{
		{[]string{"--addr", "127.0.0.1:0"}, false},
		{[]string{"--addr", "0.0.0.0:0", "--token", "new"}, true},
	} {
		ctx, stop := context.WithCancel(context.Background())
		defer stop()
		var out, said shared
		ended := make(chan int, 1)
		go func() { ended <- run(ctx, append([]string{"serve"}, c.args...), &out, &said) }()
		for begun := time.Now(); !strings.Contains(out.String(), "Ctrl-C"); time.Sleep(10 * time.Millisecond) {
			if time.Since(begun) > 20*time.Second {
				t.Fatalf("serve %v says %s%s", c.args, out.String(), said.String())
			}
		}
		urls := regexp.MustCompile(`http://\S+`).FindAllString(out.String(), -1)
		if len(urls) == 0 {
			t.Fatalf("serve %v names no address: %s", c.args, out.String())
		}
		last := urls[len(urls)-1]
		answer, err := (&http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}).Get(last)
		if err != nil {
			t.Fatal(err)
		}
		body, _ := io.ReadAll(answer.Body)
		answer.Body.Close()
		if answer.StatusCode != http.StatusOK || !strings.Contains(string(body), "Tawsight") {
			t.Errorf("%s: status %d", last, answer.StatusCode)
		}
		if got := strings.Contains(last, "token="); got != c.open {
			t.Errorf("serve %v prints %s", c.args, last)
		}
		if got := strings.Contains(said.String(), "not encrypted"); got != c.open {
			t.Errorf("serve %v says %q of the network", c.args, said.String())
		}
		stop()
		select {
		case status := <-ended:
			if status != exitDone {
				t.Errorf("serve %v ends with status %d: %s", c.args, status, said.String())
			}
		case <-time.After(20 * time.Second):
			t.Fatal("serve does not stop")
		}
	}
}
