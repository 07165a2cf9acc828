package main

import (
	"path/filepath"
	"strings"
	"syscall"
	"testing"
)

// A disk that is full is told in plain words, and what is there stays whole.
func TestFullDisk(t *testing.T) {
	disk := t.TempDir()
	if err := syscall.Mount("tmpfs", disk, "tmpfs", 0, "size=48k"); err != nil {
		t.Skipf("no small disk can be made here: %v", err)
	}
	defer func() {
		if err := syscall.Unmount(disk, 0); err != nil {
			t.Error(err)
		}
	}()
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
