package intake

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"thawtrail/internal/event"
	"thawtrail/internal/input"
	"thawtrail/internal/refusal"
	"thawtrail/internal/sheet"
	pb "thawtrail/proto/thawtrail/v1"
)

// Logger is the file of a temperature logger that lay in a place: a time and a temperature a
// row, often one every few minutes. The books take one reading a day of it: the last, with
// the least and the most of that day (Readings).
var Logger = &Kind{Word: "temperatures", Event: "temperature_read"}

// MaxLogged bounds the rows of such a file: half a year, one every five minutes.
const MaxLogged = 60_000

// LoggerHelp says what such a file has.
const LoggerHelp = "of a logger that lay in --place: a column time (or date and time, as 2026-11-24 02:10), and one temperature (C, or temperature F); others are passed over. Each day becomes one reading: the last, with the least and the most of that day"

var (
	timeNames       = []string{"time", "date time", "datetime", "timestamp", "time stamp"}
	celsiusNames    = []string{"temperature", "temperature C", "temperature °C", "temp", "temp C", "temp °C", "celsius", "celsius °C", "C", "°C"}
	fahrenheitNames = []string{"temperature F", "temperature °F", "temp F", "temp °F", "fahrenheit", "fahrenheit °F", "F", "°F"}
	// timeForms are those that can be read in one way only; without a zone they are of the practice's.
	timeForms = []string{time.RFC3339, "2006-01-02 15:04:05", "2006-01-02 15:04", "2006-01-02T15:04:05", "2006-01-02T15:04", "2006/01/02 15:04:05", "2006/01/02 15:04"}
)

// The temperatures, in 0.1 C, that a place can be read at (the rule of TemperatureRead).
const coldestDC, warmestDC = -1000, 600

// logged is one row.
type logged struct {
	row int
	at  time.Time
	dc  int32
}

// loggerColumns says where times and temperatures stand.
type loggerColumns struct {
	date, time, temperature int // -1: there is none
	fahrenheit              bool
}

func loggerColumnsOf(t *sheet.Table) (c loggerColumns, err error) {
	c = loggerColumns{date: -1, time: -1, temperature: -1}
	for i, name := range t.Head {
		is := func(names ...string) bool {
			return slices.ContainsFunc(names, func(n string) bool { return bare(n) == bare(name) })
		}
		switch celsius, fahrenheit := is(celsiusNames...), is(fahrenheitNames...); {
		case celsius || fahrenheit:
			if c.temperature >= 0 {
				return c, refusal.New("column", name, fmt.Sprintf("one column of temperatures; %q is one already", t.Head[c.temperature]))
			}
			c.temperature, c.fahrenheit = i, fahrenheit
		case is(timeNames...):
			c.time = i
		case is("date", "day"):
			c.date = i
		}
	}
	if c.temperature < 0 || c.time < 0 {
		return c, refusal.New("column", strings.Join(t.Head, ", "), "a column time and a column temperature")
	}
	return c, nil
}

// mostRefused bounds the rows that are named as not to be read: a file of another form has
// thousands.
const mostRefused = 20

// Readings reads a logger's file: a line a day. A row that cannot be read is a line that is
// refused, and the first of those are all there is where there are many.
func Readings(t *sheet.Table, place string, clock input.Clock) ([]Line, error) {
	columns, err := loggerColumnsOf(t)
	if err != nil {
		return nil, err
	}
	var all []logged
	var refused []Line
	for _, row := range t.Rows {
		if row.Cell(columns.temperature) == "" {
			continue // the logger was asleep
		}
		one, err := columns.read(row, clock.Zone)
		if err != nil {
			if refused = append(refused, Line{Row: row.Number, Refused: err}); len(refused) == mostRefused {
				return refused, nil
			}
			continue
		}
		all = append(all, one)
	}
	slices.SortStableFunc(all, func(a, b logged) int { return a.at.Compare(b.at) })
	var out []Line
	for begin := 0; begin < len(all); {
		day := all[begin].at.Format(time.DateOnly)
		end := begin + 1
		for end < len(all) && all[end].at.Format(time.DateOnly) == day {
			end++
		}
		line, err := dayOf(place, day, all[begin:end], clock)
		if err != nil {
			return nil, err
		}
		out, begin = append(out, line), end
	}
	return append(refused, out...), nil
}

// read reads one row.
func (c loggerColumns) read(row sheet.Row, zone *time.Location) (out logged, err error) {
	text := row.Cell(c.time)
	if c.date >= 0 {
		text = row.Cell(c.date) + " " + text
	}
	for _, form := range timeForms {
		if out.at, err = time.ParseInLocation(form, text, zone); err == nil {
			break
		}
	}
	if err != nil {
		return out, refusal.New("time", text, "a day and a time that can be read in one way only, as 2026-11-24 02:10")
	}
	out.row, out.at = row.Number, out.at.In(zone)
	out.dc, err = c.degrees(row.Cell(c.temperature))
	return out, err
}

// degrees reads a temperature to the nearest 0.1 C.
func (c loggerColumns) degrees(text string) (int32, error) {
	bare := strings.TrimSpace(strings.TrimRight(strings.ReplaceAll(text, ",", "."), " °CF"))
	degrees, err := strconv.ParseFloat(bare, 64)
	if c.fahrenheit {
		degrees = (degrees - 32) * 5 / 9
	}
	dc := math.Round(degrees * 10)
	if err != nil || !(dc >= coldestDC && dc <= warmestDC) {
		return 0, refusal.New("temperature", text, fmt.Sprintf("a temperature from %d to %d C", coldestDC/10, warmestDC/10))
	}
	return int32(dc), nil
}

// dayOf is one day as a reading.
func dayOf(place, day string, rows []logged, clock input.Clock) (Line, error) {
	byDC := func(a, b logged) int { return cmp.Compare(a.dc, b.dc) }
	least, most, last := slices.MinFunc(rows, byDC).dc, slices.MaxFunc(rows, byDC).dc, rows[len(rows)-1]
	entry, err := event.Wrap(Logger.Spec().Type, &pb.TemperatureRead{Place: place, NowDc: last.dc, LeastDc: &least, MostDc: &most})
	sum := sha256.Sum256(fmt.Appendf(nil, "%s\n%s\n%d %d %d %d", Logger.Word, place, last.at.UnixMilli(), last.dc, least, most))
	return Line{
		Row: last.row, ID: "import-" + hex.EncodeToString(sum[:16]), Text: day, Entry: entry,
		At: &pb.Moment{UnixMs: last.at.UnixMilli(), Zone: clock.ZoneName, Precision: pb.Precision_PRECISION_MINUTE, Source: pb.TimeSource_TIME_SOURCE_SCANNED},
	}, err
}
