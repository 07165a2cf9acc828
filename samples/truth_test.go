package samples

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func TestLoadTruthTakesBothForms(t *testing.T) {
	head := `{"image":{"width":4,"height":3},"camera":{"focal_px":9},"marbles":[{"id":1,"diameter_mm":16,`
	for _, tc := range []struct {
		name, marble string
		touches      int
		turns        int
	}{
		{"folds and one touch", `"touches":2,"ribbons":[{"lab":[1,2,3],"folds":5}]}]}`, 1, 5},
		{"turns and a list", `"touches":[2,3],"ribbons":[{"lab":[1,2,3],"turns":4}]}]}`, 2, 4},
		{"null touches", `"touches":null,"ribbons":[{"turns":1,"folds":7}]}]}`, 0, 1},
	} {
		t.Run(tc.name, func(t *testing.T) {
			p := filepath.Join(t.TempDir(), "a.json")
			if err := os.WriteFile(p, []byte(head+tc.marble), 0o600); err != nil {
				t.Fatal(err)
			}
			tr, err := LoadTruth(p)
			if err != nil {
				t.Fatal(err)
			}
			m := tr.Marbles[0]
			if len(m.Touches) != tc.touches || m.Ribbons[0].Turns == nil || *m.Ribbons[0].Turns != tc.turns {
				t.Errorf("touches %v, ribbon %+v", m.Touches, m.Ribbons[0])
			}
		})
	}
}

func TestLoadTruthRefusesWhatIsNoTruth(t *testing.T) {
	for _, text := range []string{`{}`, `[`, `{"image":{"width":4,"height":3},"camera":{"focal_px":0}}`,
		`{"image":{"width":4,"height":3},"camera":{"focal_px":9},"marbles":[{"id":1}]}`,
		`{"image":{"width":4,"height":3},"camera":{"focal_px":9},"marbles":[{"id":1,"diameter_mm":3,"touches":"x"}]}`} {
		p := filepath.Join(t.TempDir(), "a.json")
		if err := os.WriteFile(p, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := LoadTruth(p); err == nil || !strings.Contains(err.Error(), p) {
			t.Errorf("%s: error %v doesn't name the file", text, err)
		}
	}
}

func TestTruthPath(t *testing.T) {
	root := t.TempDir()
	put := func(rel string) string {
		p := filepath.Join(root, filepath.FromSlash(rel))
		if err := os.MkdirAll(filepath.Dir(p), 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(p, nil, 0o600); err != nil {
			t.Fatal(err)
		}
		return p
	}
	far := put("s/truth/references/a/1.json")
	near := put("plain/g.json")
	for _, tc := range []struct{ photo, want string }{
		{"s/photos/references/a/1.jpg", far},
		{"plain/g.jpg", near},
		{"s/photos/none.jpg", ""},
	} {
		got, err := TruthPath(filepath.Join(root, filepath.FromSlash(tc.photo)))
		if got != tc.want || (tc.want == "") != errors.Is(err, fs.ErrNotExist) {
			t.Errorf("%s: %q, %v", tc.photo, got, err)
		}
	}
}
