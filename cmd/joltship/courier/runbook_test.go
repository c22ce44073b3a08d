package courier

import (
	"bytes"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"io/fs"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"joltwatch/cmd/develop/fleet/gateway"
	"joltwatch/cmd/develop/wait"
	"joltwatch/cmd/joltshop/dataset"
)

// book is the shop's runbook as it is carried out: its own lines, with the names in them
// replaced by those of this machine.
type book struct {
	t     *testing.T
	text  string
	dir   string
	names *strings.Replacer
	env   []string
}

// block is the text of the runbook between a fence that begins with that and its end,
// where it has that word.
func (b *book) block(kind, with string) string {
	b.t.Helper()
	for _, m := range regexp.MustCompile("(?s)```"+kind+"\n(.*?)```").FindAllStringSubmatch(b.text, -1) {
		if strings.Contains(m[1], with) {
			return m[1]
		}
	}
	b.t.Fatalf("the runbook has no %s with %q", kind, with)
	return ""
}

// command is the line of the runbook that begins so.
func (b *book) command(begin string) *exec.Cmd {
	b.t.Helper()
	for _, line := range strings.Split(b.block("sh", begin), "\n") {
		if strings.HasPrefix(line, begin) {
			c := exec.Command("bash", "-ec", "exec "+b.names.Replace(line))
			c.Dir, c.Env = b.dir, append(os.Environ(), b.env...)
			return c
		}
	}
	b.t.Fatalf("no line of the runbook begins with %q", begin)
	return nil
}

func (b *book) run(begin string) string {
	b.t.Helper()
	out, err := b.command(begin).CombinedOutput()
	if err != nil {
		b.t.Fatalf("%s: %v\n%s", begin, err, out)
	}
	return string(out)
}

// start starts a command that goes on, and returns what ends it at once.
func (b *book) start(name, begin string, stdout io.Writer) (kill func()) {
	b.t.Helper()
	c := b.command(begin)
	var said bytes.Buffer
	c.Stdout, c.Stderr = stdout, &said
	if err := c.Start(); err != nil {
		b.t.Fatal(err)
	}
	ended := false
	kill = func() {
		if !ended {
			ended = true
			c.Process.Kill() //nolint:errcheck // it may have ended
			c.Wait()         //nolint:errcheck // killed
		}
	}
	b.t.Cleanup(func() {
		kill()
		if b.t.Failed() {
			b.t.Logf("%s: %s", name, said.String()[max(0, said.Len()-1500):])
		}
	})
	return kill
}

var (
	s3Program     = flag.String("s3", "", "a genuine S3 server: the gateway over a folder that .ci/s3 builds")
	engineProgram = flag.String("engine", "", "joltshop with the SQL engine (make engine), for the report")
)

// newStore starts a genuine one that speaks S3, with the bucket shop in it. It returns
// where, and what kills it and starts it once more.
func newStore(t *testing.T) (url string, restart func()) {
	t.Helper()
	s, err := gateway.New(*s3Program, t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	start := func() {
		t.Helper()
		if err := s.Start(); err != nil {
			t.Fatal(err)
		}
	}
	start()
	t.Cleanup(s.Kill)
	return "http://" + s.At, func() { s.Kill(); start() }
}

func listens(at string) bool {
	c, err := net.Dial("tcp", at)
	if err == nil {
		c.Close()
	}
	return err == nil
}

// The runbook's commands, each in a process of its own: enrolment, three servers of a
// cluster, two intakes into a store that speaks S3, and couriers. One intake is killed in
// the middle, then a server, the store, and
// what brings the days together: each file comes once and identical, each record once, and
// nothing is set aside.
func TestRunbook(t *testing.T) {
	if *s3Program == "" {
		t.Skip("goes by the clock, and needs a genuine S3 server: .ci/s3 runs it")
	}
	text, err := os.ReadFile("../../joltshop/RUNBOOK.md")
	if err != nil {
		t.Fatal(err)
	}
	bin := t.TempDir()
	if out, err := exec.Command("go", "build", "-o", bin, "joltwatch/cmd/joltship", "joltwatch/cmd/joltshop", "github.com/nats-io/nats-server/v2").CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	url, restart := newStore(t)
	found := gateway.Env(url)
	b := &book{t: t, text: string(text), dir: t.TempDir(), env: append(slices.Clone(found), "PATH="+bin+":"+os.Getenv("PATH"))}
	at := func(name string) string { return filepath.Join(b.dir, name) }
	p := freePorts(t, 8)
	local := func(port int) string { return fmt.Sprintf("127.0.0.1:%d", port) }
	b.names = strings.NewReplacer("127.0.0.1:4422", local(p[6]), "--enrol-listen :4423", "--enrol-listen "+local(p[7]), "--name shop.example", "--name 127.0.0.1",
		"a.example:4222", local(p[0]), "b.example:4222", local(p[1]), "c.example:4222", local(p[2]),
		"10.0.0.1:6222", local(p[3]), "10.0.0.2:6222", local(p[4]), "10.0.0.3:6222", local(p[5]), "DNS:a.example", "IP:127.0.0.1")

	b.start("serve", "joltshop serve", nil)
	wait.Until(t, "the enrolment", func() bool { _, err := os.Stat(at("my-shop/address.json")); return err == nil })
	var vans []string
	for i := range 3 {
		vans = append(vans, b.enrol(fmt.Sprintf("van-0%d", 7+i)))
	}
	b.run("joltshop intake --dir my-shop --rights")
	var certificates []byte
	var servers []func()
	for i, name := range []string{"a", "b", "c"} {
		b.run("openssl req")
		cert, err := os.ReadFile(at("cert.pem"))
		if err != nil {
			t.Fatal(err)
		}
		certificates = append(certificates, cert...)
		for _, f := range []string{"cert.pem", "key.pem"} {
			if err := os.Rename(at(f), at(name+f)); err != nil {
				t.Fatal(err)
			}
		}
		conf := strings.NewReplacer("server_name: a", "server_name: "+name, "0.0.0.0", "127.0.0.1", "port: 4222", fmt.Sprint("port: ", p[i]),
			"host: 10.0.0.1, port: 6222", fmt.Sprint("host: 127.0.0.1, port: ", p[3+i]), "/var/lib/nats", at("js-"+name),
			"cert.pem", name+"cert.pem", "key.pem", name+"key.pem").Replace(b.block("conf", "jetstream"))
		if err := os.WriteFile(at("server.conf"), []byte(b.names.Replace(conf)), 0o600); err != nil {
			t.Fatal(err)
		}
		servers = append(servers, b.start("server "+name, "nats-server -c server.conf", nil))
		wait.Until(t, "server "+name, func() bool { return listens(local(p[i])) })
	}
	if err := os.WriteFile(at("servers.pem"), certificates, 0o600); err != nil {
		t.Fatal(err)
	}
	const intakes = "joltshop intake --dir my-shop --server"
	killFirst := b.start("the first intake", intakes, nil)
	b.start("the second intake", intakes, nil)

	const runs = 4
	done := make(chan string, len(vans))
	for _, van := range vans {
		record(t, filepath.Join(van, "stay"), runs)
		go func() {
			c := b.courier(van, "joltship once")
			for end := wait.End(t); time.Now().Before(end); time.Sleep(time.Second) {
				if out, err := b.again(c).CombinedOutput(); err == nil {
					done <- ""
					return
				} else if time.Until(end) < 2*time.Second {
					done <- fmt.Sprintf("%s: %s", filepath.Base(van), out)
				}
			}
		}()
	}
	arrived := func() int {
		list, _ := filepath.Glob(at("my-shop/vehicles/*/*/0*"))
		return len(list)
	}
	wait.Until(t, "the first files", func() bool { return arrived() > 2 })
	killFirst()
	t.Logf("the first intake was killed after %d files", arrived())
	before := arrived()
	wait.Until(t, "files by the second", func() bool { return arrived() > before+1 })
	servers[2]()
	restart()
	for range vans {
		if failed := <-done; failed != "" {
			t.Error(failed)
		}
	}
	wait.Until(t, "everything", func() bool {
		return !slices.ContainsFunc(vans, func(van string) bool {
			return !sameFiles(t, filepath.Join(van, "stay"), at("my-shop"), filepath.Base(van))
		})
	})
	if n := files(t, at("my-shop/parked")); n > 0 {
		t.Errorf("%d vehicles with something set aside", n)
	}
	for _, v := range found {
		name, value, _ := strings.Cut(v, "=")
		t.Setenv(name, value)
	}
	cache := t.TempDir()
	rows, distinct := 0, 0
	count := func() bool {
		if _, err := dataset.Local(t.Context(), "s3://shop/fleet", cache, dataset.Days{First: "2020-01-01", Last: "2100-01-01"}); err != nil {
			return false // joined with others meanwhile
		}
		if _, err := os.Stat(filepath.Join(cache, "events")); err != nil {
			return false // none yet
		}
		rows, distinct = idsOf(t, filepath.Join(cache, "events"))
		return distinct >= 4*runs*len(vans)
	}
	wait.Until(t, "all records", count)
	b.start("what brings the days together", "joltshop tidy", nil)()
	wait.Until(t, "the days brought together", func() bool { // what an intake had under way when it was killed comes again
		b.run("joltshop tidy")
		loose, err := fs.Glob(os.DirFS(cache), "events/vehicle=*/*/*.parquet")
		return count() && err == nil && len(loose) == 0
	})
	if rows != distinct || rows != 4*runs*len(vans) {
		t.Errorf("%d events, %d distinct, want %d", rows, distinct, 4*runs*len(vans))
	}
	b.report(bin, cache, vans, runs)
}

// report puts the runbook's question, where there is a program that can answer.
func (b *book) report(bin, cache string, vans []string, drives int) {
	b.t.Helper()
	if *engineProgram == "" {
		return
	}
	shop := filepath.Join(bin, "joltshop")
	if err := errors.Join(os.Remove(shop), os.Symlink(*engineProgram, shop)); err != nil {
		b.t.Fatal(err)
	}
	c := b.command("joltshop report")
	c.Args[2] += " --json --week-to 2026-03-05 --cache " + cache
	out, err := c.Output()
	if err != nil {
		b.t.Fatalf("the report: %v", err)
	}
	got := map[string]int{}
	for _, line := range bytes.Split(bytes.TrimSpace(out), []byte("\n")) {
		var x struct {
			About, Vehicle string
			Drives         int
		}
		if err := json.Unmarshal(line, &x); err != nil {
			b.t.Fatalf("%s: %v", line, err)
		}
		if x.About == "vehicle" {
			got[x.Vehicle] = x.Drives
		}
	}
	for _, van := range vans {
		if n := got[filepath.Base(van)]; n != drives {
			b.t.Errorf("the report has %d drives of %s, want %d", n, filepath.Base(van), drives)
		}
	}
	if info, err := os.Stat(filepath.Join(b.dir, "shop.html")); err != nil || info.Size() < 10_000 {
		b.t.Errorf("the page: %v", err)
	}
}

// enrol enrols a van as the runbook says, and returns its folder.
func (b *book) enrol(name string) string {
	b.t.Helper()
	home := filepath.Join(b.dir, name)
	if err := os.MkdirAll(home, 0o700); err != nil {
		b.t.Fatal(err)
	}
	c := b.command("joltshop enrol")
	c.Args[2] = strings.Replace(c.Args[2], "van-07", name+" --json", 1)
	out, err := c.Output()
	var code struct {
		Code  string `json:"code"`
		Enrol string `json:"enrol"`
		CA    string `json:"ca_sha256"`
	}
	if err == nil {
		err = json.Unmarshal(out, &code)
	}
	if err != nil {
		b.t.Fatalf("%v: %s", err, out)
	}
	text := b.names.Replace(strings.NewReplacer("van-07", name, "/etc/joltship", b.dir).Replace(b.block("toml", "vehicle")))
	text += fmt.Sprintf("store = %q\nstate = %q\n", filepath.Join(home, "stay"), filepath.Join(home, "state"))
	if err := os.WriteFile(filepath.Join(home, "joltship.toml"), []byte(text), 0o600); err != nil {
		b.t.Fatal(err)
	}
	e := b.courier(home, "joltship enrol")
	e.Args[2] = strings.NewReplacer("https://shop.example:4423", code.Enrol, "CODE", code.Code, "FINGERPRINT", code.CA).Replace(e.Args[2])
	if out, err := e.CombinedOutput(); err != nil {
		b.t.Fatalf("%v: %s", err, out)
	}
	return home
}

// courier is a command of the runbook in a van.
func (b *book) courier(home, begin string) *exec.Cmd {
	c := b.command(begin)
	c.Dir = home
	return c
}

func (b *book) again(c *exec.Cmd) *exec.Cmd {
	n := exec.Command(c.Args[0], c.Args[1:]...)
	n.Dir, n.Env = c.Dir, c.Env
	return n
}

// freePorts are ports that were free a moment ago.
func freePorts(t *testing.T, n int) (ports []int) {
	t.Helper()
	for range n {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		defer l.Close()
		ports = append(ports, l.Addr().(*net.TCPAddr).Port)
	}
	return ports
}
