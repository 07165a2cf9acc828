package main

import (
	"fmt"
	"runtime"

	"gocv.io/x/gocv"

	"tawsight/calib"
)

const cardVersion = calib.CardVersion

// openCVVersion is that of the library in use, which may be newer than the one
// the program was built with.
func openCVVersion() string { return gocv.OpenCVVersion() }

func goVersion() string {
	return fmt.Sprintf("%s %s/%s", runtime.Version(), runtime.GOOS, runtime.GOARCH)
}
