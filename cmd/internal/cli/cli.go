// Package cli is how every program starts and ends: it parses the command line, runs
// the command until it is done or interrupted, and turns the outcome into one line
// on standard error and an exit code.
//
// Exit codes: 0 done; 1 the work could not be done; 2 wrong usage; 3 done, and
// something needs attention. An error with a method ExitCode has a code of its own.
package cli

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"strings"
	"syscall"

	"github.com/alecthomas/kong"
)

// Program is one program. Its commands' Run methods may ask for what Host returns.
type Program struct {
	Name, Description string
	// Commands points to the structure that describes the command line; it should
	// embed Version.
	Commands any
	// Host makes what the commands need of the world outside, once the command line
	// is parsed; nil where they need nothing.
	Host func(context.Context) any
}

// Version is the flag that every program has.
type Version struct {
	Version kong.VersionFlag `help:"Print the version and stop."`
}

// Main runs the program and returns its exit code.
func (p Program) Main(args []string, stdout, stderr io.Writer) int {
	exited := -1
	parser, err := kong.New(p.Commands, kong.Name(p.Name), kong.Description(p.Description),
		kong.Vars{"version": Release()}, kong.Writers(stdout, stderr),
		kong.Exit(func(code int) { exited = code }),
		kong.ConfigureHelp(kong.HelpOptions{Compact: true, WrapUpperBound: 80}))
	if err != nil {
		return p.end(err, stderr)
	}
	if len(args) == 0 {
		args = []string{"--help"}
	}
	if len(args) == 2 && args[0] == completionFlag {
		return p.end(Completion(stdout, parser.Model, args[1]), stderr)
	}
	k, err := parser.Parse(args)
	if exited >= 0 {
		return exited
	}
	if err != nil {
		if at := (*kong.ParseError)(nil); errors.As(err, &at) && at.Context.Selected() != nil {
			p.Name = at.Context.Selected().FullPath() // the command whose help tells
		}
		return p.end(Usage(err.Error()), stderr)
	}
	ctx, stop := signal.NotifyContext(context.Background(), syscall.SIGINT, syscall.SIGTERM)
	defer stop()
	var host []any
	if p.Host != nil {
		host = append(host, p.Host(ctx))
	}
	return p.end(k.Run(host...), stderr)
}

// Tool runs a program without commands, once its flags are parsed, until it is done or
// interrupted, and ends the process.
func Tool(name string, do func(context.Context) error) {
	ctx, stop := signal.NotifyContext(context.Background(), syscall.SIGINT, syscall.SIGTERM)
	code := Program{Name: name}.end(do(ctx), os.Stderr)
	stop()
	os.Exit(code)
}

// end says what went wrong, if anything, and returns the exit code.
func (p Program) end(err error, stderr io.Writer) int {
	if err == nil {
		return 0
	}
	code := 1
	var coded interface{ ExitCode() int }
	if errors.As(err, &coded) {
		code = coded.ExitCode()
	}
	hint := ""
	if code == 2 {
		hint = "; see " + p.Name + " --help"
	}
	program, _, _ := strings.Cut(p.Name, " ")
	fmt.Fprintf(stderr, "%s: %v%s\n", program, err, hint)
	return code
}

// Usage is an error in how the program was called.
type Usage string

func (u Usage) Error() string { return string(u) }

// ExitCode is that of wrong usage.
func (u Usage) ExitCode() int { return 2 }

// Attention is err as something that needs attention, after work that is done all
// the same.
func Attention(err error) error { return attention{err} }

type attention struct{ error }

func (a attention) Unwrap() error { return a.error }
func (a attention) ExitCode() int { return 3 }

// NeedsAttention says whether err is of Attention.
func NeedsAttention(err error) bool {
	var a attention
	return errors.As(err, &a)
}
