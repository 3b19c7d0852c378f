package main

import (
	"fmt"
	"io"
	"net/http"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/creack/pty"
	"golang.org/x/term"

	"ringsaddle/acquire/frame"
	"ringsaddle/acquire/serialport"
)

// A readout that sends the temperature of the scale in its frames: the samples are
// stored, and the newest is a metric.
func TestTemperaturesInFrames(t *testing.T) {
	t.Parallel()
	master, slave, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	defer master.Close()
	defer slave.Close()
	if _, err := term.MakeRaw(int(slave.Fd())); err != nil {
		t.Fatal(err)
	}
	cfg := defaultConfig()
	cfg.HTTP.Listen, cfg.Storage.Path = "127.0.0.1:0", filepath.Join(t.TempDir(), "db")
	s := stationConfig{
		Name: "bench-1", Serial: serialport.Config{Port: slave.Name()},
		Frame: frame.Config{
			Pattern: `X(?P<x>[+-][0-9.]+) T(?P<temperature>[0-9.]+)`, Terminator: `\r\n`, TemperatureChannel: "scale",
		},
	}
	s.fillDefaults(func(string) bool { return false }, "station[0]")
	cfg.Stations = []stationConfig{s}
	d, address, stop := startDaemon(t, cfg)
	sent := make(chan struct{})
	go func() {
		defer close(sent)
		for i := range 100 {
			if _, err := fmt.Fprintf(master, "X+1.%04d T20.1%d\r\n", i, i%10); err != nil {
				return
			}
			time.Sleep(5 * time.Millisecond)
		}
	}()
	waitFor(t, 20*time.Second, "the temperature is a metric", func() bool {
		res, err := http.Get("http://" + address + "/metrics")
		if err != nil {
			return false
		}
		defer res.Body.Close()
		text, err := io.ReadAll(res.Body)
		return err == nil && strings.Contains(string(text), `ringsaddle_temperature_celsius{channel="scale",station="bench-1"} 20.1`)
	})
	waitFor(t, 20*time.Second, "a temperature is stored", func() bool {
		last, err := d.store.LastTemperatures(t.Context(), "bench-1")
		return err == nil && len(last) == 1 && last[0].Channel == "scale" && last[0].MicroCelsius/100_000 == 201
	})
	<-sent
	stop()
}
