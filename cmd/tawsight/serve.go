package main

import (
	"fmt"

	"tawsight/internal/desk"
	"tawsight/internal/web"
)

type serveCommand struct {
	collectionFlag
	cameraProfiles
	Addr  string `default:"127.0.0.1:8420" placeholder:"HOST:PORT" help:"Address to serve on; port 0 takes any free one. Default: 127.0.0.1:8420, which this machine alone reaches."`
	Token string `env:"TAWSIGHT_TOKEN" placeholder:"TEXT" help:"What a browser must show once, 24 characters or more; needed on any address that other machines reach. The word new makes one."`
}

func (serveCommand) Help() string {
	return `Serves a page for your browser, and prints the address to open. It runs until you press Ctrl-C.

On an address other than this machine's own, everybody in your network who has the token can see and change your collection, and can see the traffic, which is not encrypted: do that in a network you trust only, at home with a phone for instance (--addr 0.0.0.0:8420 --token new).`
}

func (c serveCommand) Run(s *session) (err error) {
	if c.Token == "new" {
		c.Token = web.NewToken()
	}
	if err := web.CheckAddr(c.Addr, c.Token); err != nil { // before anything is written
		return usageError{fmt.Errorf("%w (--addr, --token)", err)}
	}
	path, err := c.path()
	if err != nil {
		return usageError{err}
	}
	work, err := desk.Open(s.ctx, path, desk.Options{Cameras: c.book(s), Log: s.log})
	if err != nil {
		return err
	}
	defer func() {
		if e := work.Close(); err == nil {
			err = e
		}
	}()
	server, err := web.New(web.Config{Addr: c.Addr, Token: c.Token, Desk: work, Log: s.log})
	if err != nil {
		return err
	}
	if err := server.Listen(); err != nil {
		return err
	}
	for i, u := range server.URLs() {
		if i == 0 {
			fmt.Fprintf(s.stdout, "Open this in a browser: %s\n", u)
		} else {
			fmt.Fprintf(s.stdout, "or, from some networks: %s\n", u)
		}
	}
	if server.OpenToNetwork() {
		fmt.Fprintln(s.stderr, "note: other machines in your network can reach this page. Whoever has the address above, token and all, can see and change your collection; and what goes to and fro is not encrypted. Stop it when you are done.")
	}
	fmt.Fprintf(s.stdout, "The collection is %s. Stop with Ctrl-C.\n", path)
	return server.Serve(s.ctx)
}
