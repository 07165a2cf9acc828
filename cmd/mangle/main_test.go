package main

import (
	"context"
	"os"
	"testing"

	"tawsight/internal/pipeline"
)

func TestMain(m *testing.M) {
	pipeline.IsolateWithin(limits)
	os.Exit(m.Run())
}

// A short run; go run ./cmd/mangle is the long one.
func TestDamagedPhotosDoNoHarm(t *testing.T) {
	n := 300
	if testing.Short() {
		n = 60
	}
	sum, err := run(context.Background(), options{n: n, seed: 7, measure: 10, root: "../.."})
	if err != nil {
		t.Fatal(err)
	}
	sum.print(t.Output())
	if sum.harm() > 0 {
		t.Error("files did harm: go run ./cmd/mangle -keep FOLDER -seed 7 keeps them")
	}
	if len(sum.Read) < 3 || len(sum.Refused) < 5 {
		t.Errorf("too little was tried: %+v", sum)
	}
}
