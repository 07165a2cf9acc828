package heif

import (
	"bytes"
	"compress/gzip"
	"context"
	_ "embed"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"sync"

	"github.com/tetratelabs/wazero"
	"github.com/tetratelabs/wazero/imports/wasi_snapshot_preview1"
)

//go:embed wasm/heif.wasm.gz
var module []byte

// maxMemory is the decoder's memory: 12 megapixels take 300 MB, MaxPixels about
// 1.2 GB. Past it the file is given up.
const maxMemory = 2 << 30

// sandbox is the compiled decoder, made at the first HEIC.
type sandbox struct {
	rt  wazero.Runtime
	mod wazero.CompiledModule
}

var compiled = sync.OnceValues(func() (*sandbox, error) {
	ctx := context.Background()
	// Checks by which running code could be stopped from within would make it
	// three times as slow: a process of its own can be stopped without them.
	config := wazero.NewRuntimeConfig().WithMemoryLimitPages(maxMemory >> 16)
	// Compiling takes a second or two, so that it is kept for the next run
	// where there is a place for such things.
	if dir, err := os.UserCacheDir(); err == nil {
		if cache, err := wazero.NewCompilationCacheWithDir(filepath.Join(dir, "tawsight", "heif")); err == nil {
			config = config.WithCompilationCache(cache)
		}
	}
	rt := wazero.NewRuntimeWithConfig(ctx, config)
	z, err := gzip.NewReader(bytes.NewReader(module))
	if err != nil {
		return nil, err
	}
	code, err := io.ReadAll(z)
	if err != nil {
		return nil, err
	}
	mod, err := rt.CompileModule(ctx, code)
	if err != nil {
		return nil, err
	}
	if _, err := wasi_snapshot_preview1.Instantiate(ctx, rt); err != nil {
		return nil, err
	}
	return &sandbox{rt, mod}, nil
})

// libheif's numbers for what planes hold (heif_colorspace, heif_chroma).
const (
	spaceYCbCr, spaceRGB, spaceGrey = 0, 1, 2
	chroma420, chroma422, chroma444 = 1, 2, 3
)

var errDecoder = errors.New("the decoder gave it up")

// planes are the primary picture's samples, 8 bits each, as the decoder gives
// them: turned upright as the file says (irot, imir, clap), grids put together.
type planes struct {
	width, height int // px
	space         int
	y, cb, cr     []byte // y alone for grey; R, G, B, A in y for RGB
	stride        int    // of y, bytes
	cstride       int    // of cb and cr, bytes
	cw, ch        int    // chroma samples
}

// decodePlanes runs the decoder on a whole file. want is the picture's size as
// the file's boxes have it, upright; another one is an error.
func decodePlanes(data []byte, wantW, wantH int) (p planes, err error) {
	s, err := compiled()
	if err != nil {
		return p, fmt.Errorf("the HEIC decoder could not be started: %w", err)
	}
	ctx := context.Background()
	// Without a place for it, the decoder's own grumbling is lost, which is right.
	m, err := s.rt.InstantiateModule(ctx, s.mod, wazero.NewModuleConfig().WithName(""))
	if err != nil {
		return p, err
	}
	defer m.Close(ctx)
	call := func(name string, args ...uint64) (uint32, error) {
		r, err := m.ExportedFunction(name).Call(ctx, args...)
		if err != nil {
			return 0, errDecoder // a trap; its text is a stack of C++ names
		}
		return uint32(r[0]), nil
	}
	alloc := func(n int) (uint32, error) {
		at, err := call("malloc", uint64(n))
		if err == nil && at == 0 {
			err = errors.New("it needs too much memory")
		}
		return at, err
	}
	in, err := alloc(len(data))
	if err != nil {
		return p, err
	}
	if !m.Memory().Write(in, data) {
		return p, errDecoder
	}
	said, err := alloc(4 * 5)
	if err != nil {
		return p, err
	}
	decode := func(configOnly uint64, out uint32) error {
		ok, err := call("decode", uint64(in), uint64(len(data)), configOnly,
			uint64(said), uint64(said+4), uint64(said+8), uint64(said+12), uint64(said+16), uint64(out))
		if err == nil && ok == 0 {
			err = errDecoder
		}
		return err
	}
	if err := decode(1, 0); err != nil {
		return p, err
	}
	var v [4]uint32
	for i := range v {
		v[i], _ = m.Memory().ReadUint32Le(said + 4*uint32(i))
	}
	p.width, p.height, p.space = int(v[0]), int(v[1]), int(v[2])
	if p.width != wantW || p.height != wantH {
		return p, fmt.Errorf("the decoder finds %d x %d pixels, the header says %d x %d", p.width, p.height, wantW, wantH)
	}
	// As libheif lays its planes out: even, 64 samples at least, then rows of
	// whole 16 bytes.
	align := func(n, each int) int { return (max(64, (n+1)&^1)*each + 15) &^ 15 }
	p.stride = align(p.width, 1)
	size := p.stride * p.height
	if p.space == spaceYCbCr && v[3] == 0 { // no colour
		p.space = spaceGrey
	}
	switch p.space {
	case spaceYCbCr:
		p.cw, p.ch = p.width, p.height
		switch v[3] {
		case chroma420:
			p.cw, p.ch = (p.width+1)/2, (p.height+1)/2
		case chroma422:
			p.cw = (p.width + 1) / 2
		case chroma444:
		default:
			return p, errDecoder
		}
		p.cstride = align(p.cw, 1)
		size += 2 * p.cstride * p.ch
	case spaceRGB:
		p.stride = align(p.width, 4)
		size = p.stride * p.height
	case spaceGrey:
	default:
		return p, errDecoder
	}
	out, err := alloc(size)
	if err != nil {
		return p, err
	}
	if err := decode(0, out); err != nil {
		return p, err
	}
	lent, ok := m.Memory().Read(out, uint32(size))
	if !ok {
		return p, errDecoder
	}
	all := bytes.Clone(lent) // the memory goes with the module
	n := p.stride * p.height
	p.y = all[:n]
	if p.space == spaceYCbCr {
		k := p.cstride * p.ch
		p.cb, p.cr = all[n:n+k], all[n+k:n+2*k]
	}
	return p, nil
}
