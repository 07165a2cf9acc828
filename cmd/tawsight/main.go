// Command tawsight measures glass marbles in photographs.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/signal"
	"runtime/debug"
	"strings"
	"syscall"

	"github.com/alecthomas/kong"

	"tawsight/internal/collection"
	"tawsight/internal/pipeline"
	"tawsight/internal/record"
)

// Exit statuses, part of the output contract.
const (
	exitDone       = 0 // everything asked for was done
	exitFailed     = 1 // anything that is none of the others
	exitUsage      = 2 // wrong usage; nothing was written
	exitUnreadable = 3 // some files could not be read, the rest was done
)

const exitStatuses = `Exit status: 0 when every photo was read (poor ones are flagged, not failed); 3 when some files could not be read, each named on standard error and in photos.csv, the rest being done all the same; 2 for wrong usage, with nothing written; 1 for anything else.`

// commands is the command line's grammar.
type commands struct {
	Card        cardCommand        `cmd:"" help:"Write the reference card, ready to print."`
	Camera      cameraCommand      `cmd:"" help:"Learn your camera's lens from photos of the printed card."`
	Check       checkCommand       `cmd:"" help:"Say of each photo whether it is good enough to judge, and what to do if not."`
	Measure     measureCommand     `cmd:"" help:"Measure every marble in photos."`
	Compare     compareCommand     `cmd:"" help:"Set a doubtful marble beside the nearest of your labelled ones."`
	References  referencesCommand  `cmd:"" help:"Learn from your labelled photos, and say how well the sets can be told apart."`
	Guide       guideCommand       `cmd:"" help:"Make an illustrated guide to your own sets, to share."`
	Bundle      bundleCommand      `cmd:"" help:"Pack your labelled sets into one file for another collector; check and unpack such files."`
	Serve       serveCommand       `cmd:"" help:"Serve a page for your browser, on this machine."`
	Add         addCommand         `cmd:"" help:"Measure photos into your collection."`
	History     historyCommand     `cmd:"" help:"Print what was changed in your collection, by whom and when."`
	Undo        undoCommand        `cmd:"" help:"Take an edit of your collection back."`
	Export      exportCommand      `cmd:"" help:"Write your collection as JSON, or as tables for a spreadsheet."`
	Import      importCommand      `cmd:"" help:"Bring an exported collection, or an edited table, into yours."`
	Backup      backupCommand      `cmd:"" help:"Write a checked backup of your collection."`
	Restore     restoreCommand     `cmd:"" help:"Put a backup back."`
	Verify      verifyCommand      `cmd:"" help:"Check that your collection is whole."`
	Reattribute reattributeCommand `cmd:"" name:"re-attribute" help:"Compare all marbles of the collection anew: what would change, and why."`
	Features    featuresCommand    `cmd:"" help:"List what is measured of a marble, with units and meanings."`
	Version     versionCommand     `cmd:"" help:"Print the program's version and those of the libraries its figures depend on."`

	Verbose bool `short:"v" help:"Say more on standard error about what is being done."`
}

// session is what a command is given to work with.
type session struct {
	ctx            context.Context
	stdout, stderr io.Writer
	log            *slog.Logger
}

// errUnreadable is returned by a command that did all it could, some files
// excepted; what is wrong with them has been printed.
var errUnreadable = errors.New("some files could not be read")

func main() {
	// Where this process is one that measures, it stays in here.
	pipeline.Isolate()
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	// Hand the signal back after the first: a second Ctrl-C ends at once.
	context.AfterFunc(ctx, stop)
	status := run(ctx, os.Args[1:], os.Stdout, os.Stderr)
	stop()
	pipeline.Dismiss()
	os.Exit(status)
}

// run does what the arguments ask and returns the exit status.
func run(ctx context.Context, args []string, stdout, stderr io.Writer) (status int) {
	defer func() {
		if fault := recover(); fault != nil {
			if code, ok := fault.(kongExit); ok {
				status = int(code)
				return
			}
			fmt.Fprintf(stderr, "tawsight: a fault in the program itself, not in what you asked of it: %v\n", fault)
			if os.Getenv("TAWSIGHT_DEBUG") != "" {
				fmt.Fprintf(stderr, "%s", debug.Stack())
			} else {
				fmt.Fprintln(stderr, "tawsight: finished files are safe. Run it again with TAWSIGHT_DEBUG=1 in the environment to see where it happened.")
			}
			status = exitFailed
		}
	}()

	var c commands
	parser, err := kong.New(&c,
		kong.Name("tawsight"),
		kong.Description("Measures old machine-made glass marbles in photographs: true size, colours and swirl features, and their likeness to your own labelled sets.\n\n"+exitStatuses),
		kong.Writers(stdout, stderr),
		kong.Exit(func(code int) { panic(kongExit(code)) }),
		kong.ConfigureHelp(kong.HelpOptions{Compact: true}),
	)
	if err != nil {
		panic(err)
	}
	if len(args) == 0 {
		args = []string{"--help"}
	}
	chosen, err := parser.Parse(args)
	if err != nil {
		fmt.Fprintf(stderr, "tawsight: %v\n", err)
		fmt.Fprintln(stderr, "tawsight: see tawsight --help")
		return exitUsage
	}

	level := slog.LevelWarn
	if c.Verbose {
		level = slog.LevelDebug
	}
	s := &session{ctx: ctx, stdout: stdout, stderr: stderr, log: slog.New(slog.NewTextHandler(stderr, &slog.HandlerOptions{
		Level: level,
		ReplaceAttr: func(_ []string, a slog.Attr) slog.Attr {
			if a.Key == slog.TimeKey {
				return slog.Attr{}
			}
			return a
		},
	}))}
	switch err := chosen.Run(s); {
	case err == nil:
		return exitDone
	case errors.Is(err, errUnreadable):
		return exitUnreadable
	case errors.Is(err, errPoor):
		return exitPoor
	case ctx.Err() != nil:
		fmt.Fprintln(stderr, "tawsight: stopped. Files already finished are whole; nothing half-written is left.")
		return exitFailed
	case errors.Is(err, pipeline.ErrNoPhotos), errors.Is(err, pipeline.ErrNotes), errors.Is(err, pipeline.ErrRuler), errors.Is(err, collection.ErrNoCollection), errors.As(err, new(usageError)):
		fmt.Fprintf(stderr, "tawsight: %v\n", err)
		return exitUsage
	case collection.IsFull(err) && !strings.Contains(err.Error(), "free some space"):
		fmt.Fprintf(stderr, "tawsight: the disk is full: free some space and run again (%v)\n", err)
		return exitFailed
	default:
		fmt.Fprintf(stderr, "tawsight: %v\n", err)
		return exitFailed
	}
}

// kongExit carries the status with which the argument parser wants to end, as
// it does after printing help.
type kongExit int

type versionCommand struct{}

func (versionCommand) Run(s *session) error {
	_, err := fmt.Fprintf(s.stdout, "tawsight %s\nOpenCV %s\nreference card v%d\n%s\n",
		record.Version, openCVVersion(), cardVersion, goVersion())
	return err
}
