package main

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"net"
	"net/http"
	"os"
	"os/exec"
	"testing"
	"time"

	_ "github.com/mattn/go-sqlite3"

	"ringsaddle/acquire"
)

// A set survives the daemon being killed and started again, twenty times at random
// moments: it resumes at its step and completes, and after every kill the database
// is whole and holds every capture whose id a client had received.
//
// This shows kills of the process (SIGKILL). A power cut, which can lose what the
// disk said it had, is not shown.
func TestSetSurvivesKills(t *testing.T) {
	t.Parallel()
	const kills = 20
	rig := newRig(t, shortScenario(t, 2, 1), 11)
	listen := freeAddress(t)
	// One clock for all the daemons, as that of the system is: it runs on while none does.
	clock := newStationClock(testSpeed, acquire.BootClock)
	child := startChild(t, rig.cfg, listen, clock)
	rig.begin(listen)

	rng := rand.New(rand.NewPCG(11, 20))
	known := &captureIDs{client: &client{base: "http://" + listen}, setID: rig.tech.setID}
	for i := range kills {
		pause := time.Duration(float64(3*time.Second) * rng.Float64())
		until := time.Now().Add(pause)
		for time.Now().Before(until) {
			known.look(t.Context())
			time.Sleep(20 * time.Millisecond)
		}
		if err := child.Process.Kill(); err != nil {
			t.Fatal(err)
		}
		_ = child.Wait()
		checkDatabase(t, rig.cfg.Storage.Path, known.ids, i+1)
		child = startChild(t, rig.cfg, listen, clock)
	}
	report := rig.finish(3 * time.Minute)
	// An entry that was cut in two gives a larger u; it must still cover its error.
	for _, p := range report.positions {
		if e := math.Abs(p.errUM); !(e <= demoMaxErrorUM && e <= 3*p.uUM) {
			t.Errorf("position %g mm, %g°: error %+.3f µm with u = %.3f µm", p.HeightMM, p.DirectionDeg, p.errUM, p.uUM)
		}
	}
	if len(report.positions) != 2 || report.result.Status != "accepted" {
		t.Errorf("%d positions, status %q; 2 and accepted are wanted", len(report.positions), report.result.Status)
	}
	known.look(t.Context())
	if err := child.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	_ = child.Wait()
	checkDatabase(t, rig.cfg.Storage.Path, known.ids, kills+1)
	if err := openStore(t, rig.cfg.Storage.Path).VerifyJournal(t.Context()); err != nil {
		t.Error(err)
	}
	t.Logf("%d kills, %d captures seen by the client, %d in the set", kills+1, len(known.ids), len(report.set.Captures))
	if len(known.ids) < 4 {
		t.Errorf("the client saw %d captures; an opening, two work and a closing one are needed", len(known.ids))
	}
}

// captureIDs are the ids that a client has received.
type captureIDs struct {
	client *client
	setID  string
	ids    map[string]bool
}

func (k *captureIDs) look(ctx context.Context) {
	set, err := k.client.set(ctx, k.setID)
	if err != nil {
		return // the daemon is down or coming up
	}
	if k.ids == nil {
		k.ids = map[string]bool{}
	}
	for _, c := range set.Captures {
		k.ids[c.ID] = true
	}
}

// freeAddress returns an address on which a daemon may be started again and again.
func freeAddress(t testing.TB) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}

// startChild starts a daemon in a process of its own and waits until it answers.
func startChild(t testing.TB, cfg *config, listen string, clock stationClock) *exec.Cmd {
	t.Helper()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(self)
	cmd.Env = append(os.Environ(), fmt.Sprintf("%s=%s\n%s\n%s\n%g\n%d\n%d",
		childEnv, cfg.Stations[0].Serial.Port, cfg.Storage.Path, listen, clock.speed, clock.boot0, clock.wall0))
	var said bytes.Buffer
	cmd.Stdout, cmd.Stderr = &said, &said
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait()
	})
	deadline := time.Now().Add(30 * time.Second)
	for time.Now().Before(deadline) {
		res, err := http.Get("http://" + listen + "/healthz")
		if err == nil {
			res.Body.Close()
			return cmd
		}
		time.Sleep(10 * time.Millisecond)
	}
	_ = cmd.Process.Kill()
	_ = cmd.Wait()
	t.Fatalf("the daemon does not answer on %s:\n%s", listen, said.String())
	return nil
}

// checkDatabase looks at the database of a killed daemon with nothing but SQLite.
func checkDatabase(t *testing.T, path string, ids map[string]bool, kill int) {
	t.Helper()
	db, err := sql.Open("sqlite3", "file:"+path+"?_busy_timeout=5000")
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	var verdict string
	if err := db.QueryRow(`PRAGMA integrity_check`).Scan(&verdict); err != nil || verdict != "ok" {
		t.Fatalf("kill %d: integrity_check: %q, %v", kill, verdict, err)
	}
	for id := range ids {
		var n int
		err := db.QueryRow(`SELECT count(*) FROM capture WHERE id = ?`, id).Scan(&n)
		if err != nil && !errors.Is(err, sql.ErrNoRows) {
			t.Fatal(err)
		}
		if n != 1 {
			t.Errorf("kill %d: the client had received capture %s and the database does not hold it", kill, id)
		}
	}
}
