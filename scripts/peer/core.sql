-- The core of a layout in PostGIS, beside which blockwright is measured (docs/performance.md). Tables blocks, keep_out and
-- roads hold what `cargo bench --bench core -- PROJECT --export FILE` wrote.
\set strip 16.7904
\set corridor 4.0
\timing on

CREATE TEMP TABLE kept AS
    SELECT ST_Buffer(geom, distance_m, 'quad_segs=16') AS geom FROM keep_out;
CREATE TEMP TABLE beside AS
    SELECT ST_Buffer(geom, distance_m, 'quad_segs=16') AS geom FROM roads;
CREATE INDEX ON kept USING gist (geom);
CREATE INDEX ON beside USING gist (geom);
ANALYZE kept;
ANALYZE beside;

-- Only what lies in the block's box goes into a union.
CREATE TEMP TABLE ground AS
    SELECT b.id, b.geom AS shape,
        COALESCE(ST_Difference(b.geom, k.geom), b.geom) AS net,
        COALESCE(r.geom, ST_GeomFromText('POLYGON EMPTY', ST_SRID(b.geom))) AS band
    FROM blocks b
    LEFT JOIN LATERAL (
        SELECT ST_Union(ST_Intersection(k.geom, ST_Expand(b.geom, 1))) AS geom
        FROM kept k WHERE ST_Intersects(k.geom, b.geom)
    ) k ON true
    LEFT JOIN LATERAL (
        SELECT ST_Union(ST_Intersection(r.geom, ST_Expand(b.geom, 1))) AS geom
        FROM beside r WHERE ST_Intersects(r.geom, b.geom)
    ) r ON true;

CREATE TEMP TABLE areas AS
    SELECT g.id, ST_Area(g.net) AS net, ST_Area(ST_Intersection(g.net, g.band)) AS band,
        s.strips, s.corridors
    FROM ground g
    CROSS JOIN LATERAL (SELECT ST_Difference(g.net, g.band) AS free) f
    CROSS JOIN LATERAL (
        SELECT
            sum(ST_Area(ST_Intersection(g.net, ST_MakeEnvelope(
                x, ST_YMin(g.shape) - 1, x + :strip, ST_YMax(g.shape) + 1, ST_SRID(g.shape))))) AS strips,
            sum(ST_Area(ST_Intersection(f.free, ST_MakeEnvelope(
                x + :strip, ST_YMin(g.shape) - 1, x + :strip + :corridor, ST_YMax(g.shape) + 1, ST_SRID(g.shape)))))
                AS corridors
        FROM (
            SELECT ST_XMin(g.shape) + k * (:strip + :corridor) AS x
            FROM generate_series(0, floor((ST_XMax(g.shape) - ST_XMin(g.shape)) / (:strip + :corridor))::int) AS k
        ) at
    ) s;

\timing off
\copy (SELECT id, round(net::numeric, 4) AS net, round(band::numeric, 4) AS band, round(strips::numeric, 4) AS strips, round(corridors::numeric, 4) AS corridors FROM areas ORDER BY id) TO 'areas.csv' WITH CSV HEADER
