package bench

import (
	"os"
	"strconv"
	"strings"
)

// What else runs on the machine makes every time longer, and no best of three makes
// that good. So it is counted beside each measure, and said.

// load is how much of the machine's processors was used since it started, in ticks of
// its clock.
type load struct{ all, busy, own int64 }

// disturbing is from how many percent on others' work is warned of.
const disturbing = 5

// loadNow reads the load; ok is false where the system does not tell.
func loadNow() (l load, ok bool) {
	whole, err := os.ReadFile("/proc/stat")
	if err != nil {
		return l, false
	}
	line, _, _ := strings.Cut(string(whole), "\n")
	// user, nice, system, idle, iowait, irq, softirq, steal
	ticks, ok := numbers(strings.Fields(line), 1, 8)
	if !ok {
		return l, false
	}
	for i, n := range ticks {
		l.all += n
		if i != 3 && i != 4 {
			l.busy += n
		}
	}
	l.own, ok = ticksOf("self")
	return l, ok
}

// ticksOf is the time of a process and of its children that have ended, in ticks.
func ticksOf(process string) (sum int64, ok bool) {
	text, err := os.ReadFile("/proc/" + process + "/stat")
	if err != nil {
		return 0, false
	}
	// After the name in brackets: state first, then utime, stime, cutime and cstime from the 12th on.
	rest := string(text)[strings.LastIndex(string(text), ")")+1:]
	mine, ok := numbers(strings.Fields(rest), 11, 4)
	for _, n := range mine {
		sum += n
	}
	return sum, ok
}

// numbers reads n fields from one on.
func numbers(fields []string, from, n int) (out []int64, ok bool) {
	if len(fields) < from+n {
		return nil, false
	}
	for _, f := range fields[from : from+n] {
		v, err := strconv.ParseInt(f, 10, 64)
		if err != nil {
			return nil, false
		}
		out = append(out, v)
	}
	return out, true
}

// others is how much of the processors' time others took since an earlier moment, in percent.
func (l load) others(before load) int64 {
	all := l.all - before.all
	if all <= 0 {
		return 0
	}
	return max(0, (l.busy-before.busy)-(l.own-before.own)) * 100 / all
}

// note says on results how much others took meanwhile, in percent.
func note(results []Result, others int64) {
	for i := range results {
		if results[i].More == nil {
			results[i].More = map[string]any{}
		}
		results[i].More["others_cpu_pct"] = others
		if others >= disturbing {
			results[i].More["warning"] = "something else ran on this machine meanwhile: these times are too long"
		}
	}
}
