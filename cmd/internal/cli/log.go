package cli

import (
	"io"
	"os"

	"github.com/mattn/go-isatty"
	"github.com/rs/zerolog"
)

// Log writes the console form on a terminal, one JSON object a line elsewhere. An
// unknown level is that of warnings.
func Log(w io.Writer, level string) zerolog.Logger {
	l, err := zerolog.ParseLevel(level)
	if err != nil {
		l = zerolog.WarnLevel
	}
	if f, ok := w.(*os.File); ok && isatty.IsTerminal(f.Fd()) {
		w = zerolog.ConsoleWriter{Out: f}
	}
	return zerolog.New(w).Level(l).With().Timestamp().Logger()
}
