package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"tawsight/internal/collection"
)

// smallDisk is a folder on a disk of its own of so many bytes, and what makes the
// disk larger.
func smallDisk(t *testing.T, bytes int) (dir string, grow func(bytes int)) {
	t.Helper()
	dir = t.TempDir()
	if err := syscall.Mount("tmpfs", dir, "tmpfs", 0, fmt.Sprint("size=", bytes)); err != nil {
		t.Skipf("no small disk can be made here: %v", err)
	}
	t.Cleanup(func() {
		if err := syscall.Unmount(dir, 0); err != nil {
			t.Error(err)
		}
	})
	return dir, func(bytes int) {
		t.Helper()
		if err := syscall.Mount("tmpfs", dir, "tmpfs", syscall.MS_REMOUNT, fmt.Sprint("size=", bytes)); err != nil {
			t.Fatal(err)
		}
	}
}

// A disk that is full is told in plain words, and what is there stays whole.
func TestFullDisk(t *testing.T) {
	disk, _ := smallDisk(t, 48<<10)
	photos := smallPhotos(t, 8)
	c := itself("measure", photos, "--out", filepath.Join(disk, "out"), "--workers", "2")
	msg, err := c.CombinedOutput()
	if err == nil || !strings.Contains(string(msg), "the disk is full: free some space") {
		t.Errorf("%v: %s", err, msg)
	}
	got, left := contentsOf(t, filepath.Join(disk, "out"))
	if left > 0 {
		t.Errorf("%d temporary files fill the full disk", left)
	}
	whole := filepath.Join(t.TempDir(), "whole")
	if out, err := itself("measure", photos, "--out", whole).CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	want, _ := contentsOf(t, whole)
	for name, data := range got {
		if want[name] != data {
			t.Errorf("%s is not whole", name)
		}
	}
}

// A collection on a disk that is full: it says so in plain words, stays whole, and
// goes on once there is room.
func TestCollectionOnAFullDisk(t *testing.T) {
	photos := smallPhotos(t, 8)
	full, went := 0, 0
	for _, kb := range []int{40, 420, 500, 700} {
		disk, grow := smallDisk(t, kb<<10)
		at := filepath.Join(disk, "marbles.tawsight")
		msg, err := itself("add", photos, "--collection", at, "--as", "Ada", "--workers", "1").CombinedOutput()
		if err == nil {
			went++
		} else {
			full++
			if !strings.Contains(string(msg), "the disk is full: free some space") || strings.Contains(string(msg), "goroutine ") {
				t.Errorf("%d kB: %v: %s", kb, err, msg)
			}
		}
		grow(64 << 20)
		for _, args := range [][]string{{"add", photos, "--collection", at, "--as", "Ada"}, {"verify", "--collection", at}} {
			if msg, err := itself(args...).CombinedOutput(); err != nil {
				t.Errorf("%d kB, with room again: %v: %v: %s", kb, args[0], err, msg)
			}
		}
		c, err := collection.Open(t.Context(), at)
		if err != nil {
			t.Fatal(err)
		}
		if n, err := c.Counts(t.Context()); err != nil || n.Photos != 8 {
			t.Errorf("%d kB: %d photos in the end, %v; want 8", kb, n.Photos, err)
		}
		c.Close()
	}
	if full < 2 {
		t.Errorf("only %d disks were full, %d not", full, went)
	}
}

// What leaves a collection for a full disk, or comes into one there, is whole or
// not there.
func TestFilesForAFullDisk(t *testing.T) {
	dir := t.TempDir()
	mine := filepath.Join(dir, "marbles.tawsight")
	for _, args := range [][]string{
		{"add", smallPhotos(t, 8), "--collection", mine, "--as", "Ada"},
		{"export", "--collection", mine, "--out", filepath.Join(dir, "mine.jsonl")},
	} {
		if msg, err := itself(args...).CombinedOutput(); err != nil {
			t.Fatalf("%v: %s", err, msg)
		}
	}
	for name, args := range map[string][]string{
		"marbles.jsonl":   {"export", "--collection", mine, "--out"},
		"marbles.zip":     {"backup", "--collection", mine},
		"second.tawsight": {"import", filepath.Join(dir, "mine.jsonl"), "--collection"},
	} {
		disk, _ := smallDisk(t, 16<<10)
		msg, err := itself(append(args, filepath.Join(disk, name))...).CombinedOutput()
		if err == nil || !strings.Contains(string(msg), "the disk is full: free some space") || strings.Contains(string(msg), "goroutine ") {
			t.Errorf("%s: %v: %s", args[0], err, msg)
		}
		left, err := os.ReadDir(disk)
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range left {
			t.Errorf("%s left %s behind", args[0], e.Name())
		}
	}
}
