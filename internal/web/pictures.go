package web

import (
	"bytes"
	"container/list"
	"context"
	"image"
	"image/jpeg"
	"net/http"
	"sync"
	"time"

	"golang.org/x/image/draw"
)

// Widths that pictures are reduced to on request, pixels: a picture in a list,
// and one in a row of small ones.
var widths = map[string]int{"480": 480, "160": 160}

// keepFor is for pictures, which never change under their address.
const keepFor = "private, max-age=31536000, immutable"

// smaller makes pictures smaller and keeps the latest.
type smaller struct {
	busy chan struct{} // as many places as pictures are made at once

	mu    sync.Mutex
	bytes int
	order *list.List // of kept, the latest used first
	by    map[string]*list.Element
}

type kept struct {
	key  string
	jpeg []byte
}

// smallerKeeps is how much of them is kept in memory, bytes.
const smallerKeeps = 32 << 20

func newSmaller() *smaller {
	return &smaller{busy: make(chan struct{}, 2), order: list.New(), by: map[string]*list.Element{}}
}

func (s *smaller) known(key string) ([]byte, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	e, ok := s.by[key]
	if !ok {
		return nil, false
	}
	s.order.MoveToFront(e)
	return e.Value.(kept).jpeg, true
}

func (s *smaller) keep(key string, b []byte) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if _, ok := s.by[key]; ok {
		return
	}
	s.by[key] = s.order.PushFront(kept{key, b})
	for s.bytes += len(b); s.bytes > smallerKeeps; {
		last := s.order.Remove(s.order.Back()).(kept)
		delete(s.by, last.key)
		s.bytes -= len(last.jpeg)
	}
}

// get is the picture that full gives, at most width pixels wide, as JPEG.
func (s *smaller) get(ctx context.Context, key string, width int, full func() ([]byte, error)) ([]byte, error) {
	if b, ok := s.known(key); ok {
		return b, nil
	}
	select {
	case s.busy <- struct{}{}:
		defer func() { <-s.busy }()
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	b, err := full()
	if err != nil {
		return nil, err
	}
	img, err := jpeg.Decode(bytes.NewReader(b))
	if err != nil {
		return nil, err
	}
	if from := img.Bounds(); from.Dx() > width {
		to := image.NewRGBA(image.Rect(0, 0, width, max(1, from.Dy()*width/from.Dx())))
		draw.ApproxBiLinear.Scale(to, to.Bounds(), img, from, draw.Src, nil)
		var buf bytes.Buffer
		if err := jpeg.Encode(&buf, to, &jpeg.Options{Quality: 82}); err != nil {
			return nil, err
		}
		b = buf.Bytes()
	}
	s.keep(key, b)
	return b, nil
}

// answerPicture answers with a picture, or with a smaller one where the request
// names a width.
func (s *Server) answerPicture(w http.ResponseWriter, r *http.Request, key string, full func() ([]byte, error)) error {
	var b []byte
	var err error
	if text := r.URL.Query().Get("w"); text != "" {
		width, ok := widths[text]
		if !ok {
			return notFound("There is no picture of that width")
		}
		b, err = s.smaller.get(r.Context(), key+" "+text, width, full)
	} else {
		b, err = full()
	}
	if err != nil {
		return err
	}
	w.Header().Set("Content-Type", "image/jpeg")
	w.Header().Set("Cache-Control", keepFor)
	http.ServeContent(w, r, "", time.Time{}, bytes.NewReader(b))
	return nil
}

func (s *Server) photoPicture(w http.ResponseWriter, r *http.Request) error {
	c, err := s.collection()
	if err != nil {
		return err
	}
	sha := r.PathValue("sha")
	return s.answerPicture(w, r, "photo "+sha, func() ([]byte, error) {
		p, err := c.PhotoPicture(r.Context(), sha)
		return p.JPEG, err
	})
}
