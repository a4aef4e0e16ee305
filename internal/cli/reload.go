package cli

import (
	"context"
	"log/slog"
	"maps"
	"os"
	"os/signal"
	"slices"
	"syscall"
)

// typed are the texts of all settings as they were typed.
func (s *settings) typed() map[string][]string {
	out := map[string][]string{s.file.name: s.file.texts}
	for _, f := range s.flags {
		out[f.name] = f.texts
	}
	return out
}

// texts are the settings as they count.
func (s *settings) texts() map[string]string {
	out := map[string]string{}
	for _, f := range s.flags {
		out[f.name] = f.text()
	}
	return out
}

// again reads file and environment anew, with what was typed before.
func (s *settings) again(typed map[string][]string) (map[string]string, error) {
	s.file.texts = typed[s.file.name]
	for _, f := range s.flags {
		f.texts = typed[f.name]
	}
	_, err := s.read()
	return s.texts(), err
}

// reload takes over settings while a daemon runs, when SIGHUP asks for it: those of apply.
// What else has changed counts at the next start, and is named.
type reload struct {
	settings *settings
	typed    map[string][]string
	held     map[string]string // as they count now
	apply    map[string]func(text string) error
	log      *slog.Logger
}

// beside runs a daemon and reloads until that has ended. At a terminal the signal means that
// its window was closed, and ends the daemon as ever.
func (r *reload) beside(ctx context.Context, run func() error) error {
	if interactive() {
		return run()
	}
	asked := make(chan os.Signal, 1)
	signal.Notify(asked, syscall.SIGHUP)
	defer signal.Stop(asked)
	ctx, stop := context.WithCancel(ctx)
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		for {
			select {
			case <-ctx.Done():
				return
			case <-asked:
				r.now()
			}
		}
	}()
	err := run()
	stop()
	<-ended
	return err
}

// now reloads once. A slip changes nothing.
func (r *reload) now() {
	found, err := r.settings.again(r.typed)
	if err != nil {
		r.log.Error("the settings were not reloaded: nothing has changed", "error", err)
		return
	}
	for _, name := range slices.Sorted(maps.Keys(found)) {
		if found[name] == r.held[name] {
			continue
		}
		apply := r.apply[name]
		if apply == nil {
			r.log.Warn("a setting has changed and counts at the next start", "setting", name)
			continue
		}
		if err := apply(found[name]); err != nil {
			r.log.Error("a setting was not reloaded: it stays as it was", "setting", name, "error", err)
			continue
		}
		r.held[name] = found[name]
		r.log.Warn("a setting was reloaded", "setting", name, "value", found[name])
	}
}
