// Package web serves a collection as a local page: a small HTTP server for one
// collector, on the machine where the photos lie.
//
// A page is one file with its handlers and one template in pages/; the route
// table in routes.go says which address leads to which handler. A handler
// returns an error instead of writing one: see problem for errors whose words a
// reader may see. Scripts and styles are files in static/; the security policy
// every answer carries (guard.go) forbids them inside a page.
package web

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/netip"
	"strconv"
	"strings"
	"sync"
	"time"

	"tawsight/internal/desk"
	"tawsight/internal/opinions"
	"tawsight/internal/report"
)

// DefaultAddr is where the page is served if nothing else is asked for: this
// machine alone can reach it.
const DefaultAddr = "127.0.0.1:8420"

// Config is what a server is made with.
type Config struct {
	// Addr is the address to listen on, HOST:PORT; port 0 takes any free one.
	// Empty means DefaultAddr. Anything but this machine's own loopback address
	// needs a Token.
	Addr string
	// Token is what a browser has to show once; empty for none. See NewToken.
	Token string
	// Desk is what the page works at; its owner closes it after Serve. Without
	// one there are the first steps only.
	Desk *desk.Desk
	// Log gets a line for every fault; nil for none.
	Log *slog.Logger
}

// Server is one page being served. Its methods may be called at the same time,
// but Listen and Serve once only.
type Server struct {
	host  string // of Config.Addr, without brackets
	port  string
	token string
	log   *slog.Logger

	desk      *desk.Desk
	palettes  palettes
	labelled  labelledMarbles
	preview   work[*opinions.Preview]
	health    work[report.Health]
	guideWork work[int]
	smaller   *smaller
	drawing   sync.Mutex // one explanation sheet at a time

	forwarding sync.Mutex
	forwarded  map[*desk.Place]bool // whose events go to browsers

	life context.Context // of work in the background; ends with Serve
	end  context.CancelFunc

	mux    *http.ServeMux
	table  []route
	events *Hub

	listener net.Listener
	times    times
}

// times is how long a request may take. A handler that needs longer (an upload,
// a stream of events) moves its own deadline on while it gets along.
type times struct{ header, read, write, idle, stop time.Duration }

var usualTimes = times{
	header: 5 * time.Second,
	read:   30 * time.Second,
	write:  time.Minute,
	idle:   2 * time.Minute,
	stop:   5 * time.Second,
}

const headerMost = 32 << 10 // bytes of a request's header

// New checks the configuration; nothing is listened on yet. The error says what
// to give instead.
func New(c Config) (*Server, error) {
	host, port, err := parseAddr(c.Addr, c.Token)
	if err != nil {
		return nil, err
	}
	if c.Log == nil {
		c.Log = slog.New(slog.DiscardHandler)
	}
	s := &Server{host: host, port: port, token: c.Token, log: c.Log, desk: c.Desk,
		forwarded: map[*desk.Place]bool{}, smaller: newSmaller(), events: NewHub(), times: usualTimes}
	s.life, s.end = context.WithCancel(context.Background())
	s.table = s.routes()
	s.mux = s.newMux()
	return s, nil
}

// CheckAddr says what is wrong with an address to listen on and the token to go
// with it; New checks the same.
func CheckAddr(addr, token string) error {
	_, _, err := parseAddr(addr, token)
	return err
}

func parseAddr(addr, token string) (host, port string, err error) {
	if addr == "" {
		addr = DefaultAddr
	}
	host, port, err = net.SplitHostPort(addr)
	if err != nil {
		return "", "", fmt.Errorf("the address %q is not HOST:PORT, for instance %s", addr, DefaultAddr)
	}
	n, err := strconv.ParseUint(port, 10, 16)
	if err != nil {
		return "", "", fmt.Errorf("the port %q of the address is not a number from 0 to 65535", port)
	}
	if err := checkToken(token); err != nil {
		return "", "", err
	}
	if !isLoopback(host) && token == "" {
		return "", "", errOpenWithoutToken(addr)
	}
	return host, strconv.FormatUint(n, 10), nil // browsers leave leading zeros out
}

// errOpenWithoutToken says why an address is refused.
func errOpenWithoutToken(addr string) error {
	return fmt.Errorf("%s can be reached from other machines, who could then read and change the collection: give a token, or serve on %s, which only this machine reaches", addr, DefaultAddr)
}

// isLoopback tells whether a host, without brackets, means this machine alone.
// Of names only localhost does.
func isLoopback(host string) bool {
	if strings.EqualFold(host, "localhost") {
		return true
	}
	ip, err := netip.ParseAddr(host)
	return err == nil && ip.Unmap().IsLoopback()
}

// Listen takes the address. From here on URLs are known; Serve answers.
func (s *Server) Listen() error {
	l, err := net.Listen("tcp", net.JoinHostPort(s.host, s.port))
	if err != nil {
		return fmt.Errorf("%s can't be listened on, perhaps because tawsight serve is running there already: %w", net.JoinHostPort(s.host, s.port), err)
	}
	at := l.Addr().(*net.TCPAddr)
	// A name may lead elsewhere than it says.
	if !at.IP.IsLoopback() && s.token == "" {
		l.Close()
		return errOpenWithoutToken(at.String())
	}
	s.port = strconv.Itoa(at.Port)
	s.listener = l
	return nil
}

// Serve answers requests until the context ends, and then lets those under way
// finish for a few seconds. It returns nil when it was stopped so.
func (s *Server) Serve(ctx context.Context) error {
	if s.listener == nil {
		return errors.New("web: Serve before Listen")
	}
	defer s.end()
	s.forward()
	h := &http.Server{
		Handler:           s.Handler(),
		ReadHeaderTimeout: s.times.header,
		ReadTimeout:       s.times.read,
		WriteTimeout:      s.times.write,
		IdleTimeout:       s.times.idle,
		MaxHeaderBytes:    headerMost,
		ErrorLog:          slog.NewLogLogger(s.log.Handler(), slog.LevelDebug),
	}
	// Streams of events never end by themselves.
	h.RegisterOnShutdown(s.events.Close)
	stopped := make(chan struct{})
	stop := context.AfterFunc(ctx, func() {
		defer close(stopped)
		within, cancel := context.WithTimeout(context.WithoutCancel(ctx), s.times.stop)
		defer cancel()
		if h.Shutdown(within) != nil {
			h.Close()
		}
	})
	err := h.Serve(s.listener)
	if !stop() {
		<-stopped
	}
	if errors.Is(err, http.ErrServerClosed) {
		return nil
	}
	return err
}

// ListenAndServe is Listen and Serve.
func (s *Server) ListenAndServe(ctx context.Context) error {
	if err := s.Listen(); err != nil {
		return err
	}
	return s.Serve(ctx)
}

// Events is where everything that happens is told to the browsers that watch.
func (s *Server) Events() *Hub { return s.events }

// Handler answers all requests. A server with port 0 needs Listen first.
func (s *Server) Handler() http.Handler {
	var h http.Handler = http.HandlerFunc(s.dispatch)
	h = refuseBody(h)
	h = s.requireOrigin(h)
	h = s.requireToken(h)
	h = s.requireHost(h)
	h = s.answerPanics(h)
	return secure(h)
}

// URLs are the addresses that lead to the page, the likeliest first, with the
// token where there is one. Call it after Listen.
func (s *Server) URLs() []string {
	hosts := []string{s.host}
	if ip, err := netip.ParseAddr(s.host); s.host == "" || err == nil && ip.IsUnspecified() {
		hosts = ownAddresses()
	}
	var out []string
	for _, h := range hosts {
		u := "http://" + net.JoinHostPort(h, s.port) + "/"
		if s.port == "80" {
			u = strings.Replace(u, ":80/", "/", 1)
		}
		if s.token != "" {
			u += "?token=" + s.token
		}
		out = append(out, u)
	}
	return out
}

// ownAddresses are this machine's addresses in its networks, IPv4 first.
func ownAddresses() []string {
	var four, six []string
	addrs, err := net.InterfaceAddrs()
	if err != nil {
		return []string{"localhost"}
	}
	for _, a := range addrs {
		n, ok := a.(*net.IPNet)
		if !ok || n.IP.IsLoopback() || n.IP.IsLinkLocalUnicast() {
			continue
		}
		if n.IP.To4() != nil {
			four = append(four, n.IP.String())
		} else {
			six = append(six, n.IP.String())
		}
	}
	return append(append(four, six...), "localhost")
}

// OpenToNetwork tells whether other machines can reach the page.
func (s *Server) OpenToNetwork() bool { return !isLoopback(s.host) }

// writeAll is io.WriteString for answers, where a browser gone away is nobody's
// fault.
func writeAll(w io.Writer, text string) { _, _ = io.WriteString(w, text) }
