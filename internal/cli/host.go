package cli

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"net/netip"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"thawtrail/internal/refusal"
	"thawtrail/internal/trust/vault"
	"thawtrail/internal/wholefile"
	"thawtrail/server"
)

// hostFlags are what a process of many practices is started with.
type hostFlags struct {
	practices, keys, listen, reached, metrics, bare, balancers, most, idle, indexes, doors *flagOf

	log     *logFlags
	base    *database
	backups backupSettings
}

func newHostFlags() hostFlags {
	return hostFlags{
		practices: &flagOf{name: "practices", metavar: "DIR", help: "folder that holds a folder for each practice, each begun with `server init`", required: true},
		keys:      &flagOf{name: "keys", metavar: "DIR", help: "folder with what opens each practice: NAME.key, a key of 32 bytes, or NAME.passphrase, where NAME is that of its folder"},
		listen:    &flagOf{name: "listen", metavar: "ADDRESS", help: "where laptops of all practices reach it (" + serverAddress + ")"},
		reached:   &flagOf{name: "reached", metavar: "ADDRESS", help: "with --database: where the other processes that serve it reach this one; the address of --listen when left out. Their networks stand in --balancers"},
		metrics:   &flagOf{name: "metrics", metavar: "ADDRESS", help: "where metrics can be read; nowhere when left out"},
		bare:      &flagOf{name: "bare", metavar: "NAME", help: "the practice of laptops that are older than names of practices; such laptops get no answer when left out"},
		balancers: &flagOf{name: "balancers", metavar: "NETWORKS", help: "networks of balancers, e.g. 10.0.0.0/24, divided by commas: what comes from there begins with a PROXY header"},
		most:      &flagOf{name: "open", metavar: "N", help: "how many practices are open at once (64)"},
		idle:      &flagOf{name: "idle", metavar: "TIME", help: "how long a practice stays open when nobody has a link to it (10m)"},
		indexes:   &flagOf{name: "index-gib", metavar: "N", help: "with --database: how much of this machine's disk the indexes of closed practices may take, in GiB (8)"},
		doors:     &flagOf{name: "doors", metavar: "DIR", help: "folder in which commands find a service of the system; your own when left out"},
		base:      newDatabase(),
		log:       newLogFlags(), backups: newBackupSettings(),
	}
}

func (f hostFlags) settings() *settings {
	flags := []*flagOf{f.practices, f.keys, f.base.url, f.listen, f.reached, f.metrics, f.bare, f.balancers, f.most, f.idle, f.indexes, f.doors}
	flags = append(flags, f.backups.to, f.backups.every, f.backups.keep)
	return newSettings("host", append(flags, f.log.flags()...))
}

// Bounds of what a host may be told.
const (
	mostPractices       = 10_000
	leastIdle, mostIdle = time.Second, 366 * 24 * time.Hour
	mostIndexGiB        = 1 << 20
)

func (d *console) serverHostCommand() *cobra.Command {
	f := newHostFlags()
	from := f.settings()
	cmd := &cobra.Command{
		Use: "host --practices DIR", Short: "Serve many practices in one process", Args: noArgs, DisableFlagsInUseLine: true,
		Example: "server host --practices /srv/practices --keys /etc/thawtrail/keys --listen :4270",
	}
	bindFlags(cmd.Flags(), from.flags...)
	bindFlags(cmd.Flags(), from.file)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		defer f.base.close()
		reloads := map[string]func(string) error{"log-level": f.log.setLevel}
		return d.supervised(cmd.Context(), "server", from, f.log, reloads, func(log *slog.Logger) (func(context.Context) error, error) {
			cfg, err := f.config()
			if err != nil {
				return nil, err
			}
			if _, err = f.base.open(cmd.Context(), cfg.Practices); err != nil {
				return nil, err
			}
			cfg.Log, cfg.Database = log, f.base.opened
			cfg.Ready = func(address string, practices int) {
				d.ready(fmt.Sprintf("the server of %d practices", practices), log)(address)
			}
			return func(ctx context.Context) error { return server.Host(ctx, cfg) }, nil
		})
	}
	return cmd
}

// config reads the settings.
func (f hostFlags) config() (cfg server.HostConfig, err error) {
	if f.practices.text() == "" {
		return cfg, refusal.New("practices", "", "--practices DIR: "+f.practices.help)
	}
	cfg = server.HostConfig{
		Practices: f.practices.text(), Listen: f.listen.text(), Reached: f.reached.text(), Metrics: f.metrics.text(), Doors: f.doors.text(), Bare: f.bare.text(), Secret: f.secret,
	}
	if cfg.Backups, err = f.backups.plan(); err != nil {
		return cfg, err
	}
	if text := f.balancers.text(); text != "" {
		for one := range strings.SplitSeq(text, ",") {
			network, err := netip.ParsePrefix(strings.TrimSpace(one))
			if err != nil {
				return cfg, refusal.New("balancers", one, "networks such as 10.0.0.0/24, divided by commas")
			}
			cfg.Balancers = append(cfg.Balancers, network)
		}
	}
	if text := f.most.text(); text != "" {
		if cfg.MostOpen, err = strconv.Atoi(text); err != nil || cfg.MostOpen < 1 || cfg.MostOpen > mostPractices {
			return cfg, refusal.New("open", text, fmt.Sprintf("1 to %d", mostPractices))
		}
	}
	if text := f.indexes.text(); text != "" {
		gib, err := strconv.ParseInt(text, 10, 64)
		if err != nil || gib < 1 || gib > mostIndexGiB {
			return cfg, refusal.New("index_gib", text, fmt.Sprintf("1 to %d", mostIndexGiB))
		}
		cfg.IndexBytes = gib << 30
	}
	if text := f.idle.text(); text != "" {
		if cfg.IdleAfter, err = everyOf(text); err != nil || cfg.IdleAfter < leastIdle || cfg.IdleAfter > mostIdle {
			return cfg, refusal.New("idle", text, "minutes, hours or days, such as 10m or 1d, of 1s to 366d")
		}
	}
	return cfg, nil
}

// secret finds what opens one practice.
func (f hostFlags) secret(of string, names wholefile.Names) (*vault.Secret, error) {
	locked, err := vault.Locked(names)
	if err != nil || !locked {
		return nil, err
	}
	if !f.keys.given() {
		return nil, refusal.New("keys", "", "--keys DIR: "+f.keys.help)
	}
	name := filepath.Join(f.keys.text(), of)
	s, err := vault.ReadKeyFile(name + ".key")
	if errors.Is(err, fs.ErrNotExist) {
		s, err = vault.ReadPassphrase(name + ".passphrase")
	}
	if errors.Is(err, fs.ErrNotExist) {
		return nil, refusal.New("keys", f.keys.text(), "a folder with "+of+".key or "+of+".passphrase").Because("neither is there")
	}
	if err != nil {
		return nil, err
	}
	return &s, nil
}
