package cli

import (
	"io"
	"log/slog"
	"strings"

	"thawtrail/internal/logfile"
	"thawtrail/internal/refusal"
)

// logFlags are how an agent or a server writes what happens while it runs.
type logFlags struct {
	level, form, file *flagOf
	least             *slog.LevelVar // may change while it runs
}

func newLogFlags() *logFlags {
	return &logFlags{
		level: &flagOf{name: "log-level", metavar: "WORD", help: "what is logged: debug, info, warn or error, and what is graver (info)"},
		form:  &flagOf{name: "log-as", metavar: "WORD", help: "text or json, one object a line (text)"},
		file:  &flagOf{name: "log-file", metavar: "FILE", help: "where the log is written, in files of 4 MB of which five are kept; standard error when left out"},
		least: &slog.LevelVar{},
	}
}

func (f *logFlags) flags() []*flagOf { return []*flagOf{f.level, f.form, f.file} }

// setLevel takes over the level that the flag names.
func (f *logFlags) setLevel(word string) error {
	levels := map[string]slog.Level{"": slog.LevelInfo, "debug": slog.LevelDebug, "info": slog.LevelInfo, "warn": slog.LevelWarn, "error": slog.LevelError}
	level, ok := levels[strings.ToLower(word)]
	if !ok {
		return refusal.New("log_level", word, "debug, info, warn or error")
	}
	f.least.Set(level)
	return nil
}

// open opens the log; done closes it.
func (f *logFlags) open(d *console) (log *slog.Logger, done func(), err error) {
	if err := f.setLevel(f.level.text()); err != nil {
		return nil, nil, err
	}
	form := f.form.text()
	if form != "" && form != "text" && form != "json" {
		return nil, nil, refusal.New("log_as", form, "text or json")
	}
	to, done := d.err, func() {}
	if f.file.given() {
		file, err := logfile.Open(f.file.text())
		if err != nil {
			return nil, nil, err
		}
		to, done = io.Writer(file), func() { _ = file.Close() } // each line is written when it is said
	}
	options := &slog.HandlerOptions{Level: f.least}
	if form == "json" {
		return slog.New(slog.NewJSONHandler(to, options)), done, nil
	}
	return slog.New(slog.NewTextHandler(to, options)), done, nil
}
