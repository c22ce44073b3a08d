package ratioline

// Cells of the picture of engine speed over road speed.
const (
	CellKmh   = 3.0
	CellRPM   = 75.0
	cloudKmh  = 64
	cloudRPM  = 64
	cellLeast = 0.1 // s, below which a cell is not kept
)

// cloud counts the seconds spent in each cell.
type cloud [cloudKmh][cloudRPM]float32

func (c *cloud) add(kmh, rpm, seconds float64) {
	x, y := int(kmh/CellKmh), int(rpm/CellRPM)
	if x >= 0 && x < cloudKmh && y >= 0 && y < cloudRPM {
		c[x][y] += float32(seconds)
	}
}

// Cell is one cell of the picture: from Kmh and RPM on, CellKmh and CellRPM large.
type Cell struct {
	Kmh     float64 `json:"kmh"`
	RPM     float64 `json:"rpm"`
	Seconds float64 `json:"seconds"`
}

// cells returns the cells that hold something.
func (c *cloud) cells() []Cell {
	var out []Cell
	for x := range c {
		for y, s := range c[x] {
			if s >= cellLeast {
				out = append(out, Cell{float64(x) * CellKmh, float64(y) * CellRPM, round(float64(s), 0.1)})
			}
		}
	}
	return out
}
