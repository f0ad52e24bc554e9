package main

import (
	"io"
	"maps"
	"os"
	"runtime"
	"slices"
	"strings"

	"chapterhouse/pipeline"

	"github.com/spf13/viper"
	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
)

// settings are the service's own: one file, named by CHAPTERHOUSE_SETTINGS,
// and CHAPTERHOUSE_* over it.
type settings struct {
	Slots int    `mapstructure:"slots"`
	Log   string `mapstructure:"log"` // debug, info, warn, error
}

func loadSettings(slots int) (settings, error) {
	v := viper.New()
	v.SetEnvPrefix("chapterhouse")
	v.SetEnvKeyReplacer(strings.NewReplacer(".", "_"))
	v.AutomaticEnv()
	v.SetDefault("slots", runtime.NumCPU())
	v.SetDefault("log", "warn")
	if path := os.Getenv("CHAPTERHOUSE_SETTINGS"); path != "" {
		v.SetConfigFile(path)
		if err := v.ReadInConfig(); err != nil {
			return settings{}, pipeline.Errorf(pipeline.House, "settings", "%w", err)
		}
	}
	var s settings
	if err := v.UnmarshalExact(&s); err != nil {
		why := strings.Join(strings.Fields(err.Error()), " ") // it has lines of its own
		return s, pipeline.Errorf(pipeline.House, "settings", "%s; there are slots, a whole number, and log, one of debug, info, warn, error", why)
	}
	if slots > 0 {
		s.Slots = slots
	}
	if s.Slots < 1 {
		return s, pipeline.Errorf(pipeline.House, "settings", "slots is %d: at least one chapter at a time", s.Slots)
	}
	return s, nil
}

// logger writes one line an event to standard error.
func (s settings) logger(w io.Writer) (*zap.Logger, error) {
	level, err := zapcore.ParseLevel(s.Log)
	if err != nil {
		return nil, pipeline.Errorf(pipeline.House, "settings", "log is %q: use debug, info, warn or error", s.Log)
	}
	enc := zap.NewProductionEncoderConfig()
	enc.EncodeTime = zapcore.ISO8601TimeEncoder
	return zap.New(zapcore.NewCore(zapcore.NewConsoleEncoder(enc), zapcore.AddSync(w), level)), nil
}

// listed is a map's keys in words.
func listed[V any](m map[string]V) string {
	return strings.Join(slices.Sorted(maps.Keys(m)), ", ")
}
