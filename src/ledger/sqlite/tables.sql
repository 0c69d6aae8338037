-- What follows from the entries: dropped and written anew from them when this file changes (then
-- raise SCHEMA_VERSION in mod.rs). A column named entry, or tray in tables below the tray, holds the
-- number of the entry that said so.
CREATE TABLE grower (
    name TEXT PRIMARY KEY,
    entry INTEGER NOT NULL REFERENCES entry (seq)
) STRICT, WITHOUT ROWID;
CREATE TABLE block (
    grower TEXT NOT NULL REFERENCES grower (name),
    name TEXT NOT NULL,
    entry INTEGER NOT NULL REFERENCES entry (seq),
    PRIMARY KEY (grower, name)
) STRICT, WITHOUT ROWID;
CREATE TABLE load (
    name TEXT PRIMARY KEY,
    grower TEXT NOT NULL REFERENCES grower (name),
    block TEXT,
    variety TEXT,
    bins INTEGER,
    entry INTEGER NOT NULL REFERENCES entry (seq),
    closed INTEGER REFERENCES entry (seq),
    FOREIGN KEY (grower, block) REFERENCES block (grower, name)
) STRICT, WITHOUT ROWID;
CREATE TABLE delivery (
    load TEXT PRIMARY KEY REFERENCES load (name),
    ticket TEXT,
    gross_kg TEXT,
    truck_tare_kg TEXT,
    bin_tare_kg TEXT,
    net_kg TEXT,
    picked TEXT,
    received TEXT,
    sampled TEXT,
    picking TEXT,
    destemmed INTEGER,
    sampling_point TEXT,
    fruit_celsius TEXT,
    wet TEXT,
    free_juice TEXT,
    entry INTEGER NOT NULL REFERENCES entry (seq)
) STRICT, WITHOUT ROWID;
CREATE TABLE bin (
    load TEXT NOT NULL REFERENCES load (name),
    name TEXT NOT NULL,
    kg TEXT NOT NULL,
    entry INTEGER NOT NULL REFERENCES entry (seq),
    PRIMARY KEY (load, name)
) STRICT, WITHOUT ROWID;
CREATE TABLE lot (
    load TEXT NOT NULL REFERENCES load (name),
    name TEXT NOT NULL,
    sampling_point TEXT,
    entry INTEGER NOT NULL REFERENCES entry (seq),
    PRIMARY KEY (load, name)
) STRICT, WITHOUT ROWID;
CREATE TABLE terms (
    load TEXT PRIMARY KEY REFERENCES load (name),
    name TEXT NOT NULL,
    text TEXT NOT NULL,
    entry INTEGER NOT NULL REFERENCES entry (seq)
) STRICT, WITHOUT ROWID;
CREATE TABLE plan (
    load TEXT NOT NULL,
    lot TEXT NOT NULL,
    seed TEXT NOT NULL,
    bins INTEGER NOT NULL,
    expected_share TEXT NOT NULL,
    half_width TEXT NOT NULL,
    confidence TEXT NOT NULL,
    design_effect TEXT NOT NULL,
    entry INTEGER NOT NULL REFERENCES entry (seq),
    PRIMARY KEY (load, lot),
    FOREIGN KEY (load, lot) REFERENCES lot (load, name)
) STRICT, WITHOUT ROWID;
CREATE TABLE planned_tray (
    load TEXT NOT NULL,
    lot TEXT NOT NULL,
    number INTEGER NOT NULL,
    bin TEXT NOT NULL,
    depths TEXT NOT NULL,
    extra INTEGER NOT NULL,
    PRIMARY KEY (load, lot, number),
    FOREIGN KEY (load, lot) REFERENCES plan (load, lot)
) STRICT, WITHOUT ROWID;
CREATE TABLE photo (
    sha256 TEXT PRIMARY KEY,
    bytes INTEGER NOT NULL,
    name TEXT NOT NULL,
    taken TEXT,
    entry INTEGER NOT NULL REFERENCES entry (seq)
) STRICT, WITHOUT ROWID;
CREATE TABLE tray (
    entry INTEGER PRIMARY KEY REFERENCES entry (seq),
    load TEXT NOT NULL,
    lot TEXT NOT NULL,
    number INTEGER NOT NULL,
    bin TEXT,
    photo TEXT NOT NULL UNIQUE REFERENCES photo (sha256),
    outlines TEXT,
    fruit TEXT NOT NULL,
    profile TEXT NOT NULL,
    program TEXT NOT NULL,
    scale_mpx_per_mm INTEGER NOT NULL,
    forced INTEGER NOT NULL,
    objects INTEGER NOT NULL,
    changed INTEGER REFERENCES entry (seq),
    replaces INTEGER REFERENCES tray (entry),
    replaced_by INTEGER REFERENCES tray (entry),
    FOREIGN KEY (load, lot) REFERENCES lot (load, name)
) STRICT;
-- One tray counts for a number, whatever was retaken.
CREATE UNIQUE INDEX tray_that_counts ON tray (load, lot, number) WHERE replaced_by IS NULL;
CREATE INDEX tray_of_load ON tray (load, lot, number);
CREATE TABLE told (
    tray INTEGER NOT NULL REFERENCES tray (entry),
    place INTEGER NOT NULL,
    weight TEXT NOT NULL,
    words TEXT NOT NULL,
    PRIMARY KEY (tray, place)
) STRICT, WITHOUT ROWID;
-- What figures are made from; the other measures stand apart, so that a load is read quickly.
CREATE TABLE object (
    tray INTEGER NOT NULL REFERENCES tray (entry),
    object INTEGER NOT NULL,
    class TEXT NOT NULL,
    corrected_class TEXT,
    corrected INTEGER REFERENCES entry (seq),
    come INTEGER REFERENCES entry (seq),
    gone INTEGER REFERENCES entry (seq),
    p_sound_ppm INTEGER,
    p_shriveled_ppm INTEGER,
    p_underripe_ppm INTEGER,
    p_debris_ppm INTEGER,
    area_um2 INTEGER,
    mass_ug INTEGER,
    equivalent_diameter_um INTEGER,
    PRIMARY KEY (tray, object)
) STRICT, WITHOUT ROWID;
CREATE TABLE measure (
    tray INTEGER NOT NULL,
    object INTEGER NOT NULL,
    row_mpx INTEGER,
    col_mpx INTEGER,
    x_um INTEGER,
    y_um INTEGER,
    area_px INTEGER,
    seen_area_um2 INTEGER,
    circle_diameter_um INTEGER,
    length_um INTEGER,
    width_um INTEGER,
    inner_width_um INTEGER,
    circularity_ppm INTEGER,
    solidity_ppm INTEGER,
    fullness_ppm INTEGER,
    contact_ppm INTEGER,
    lightness_milli INTEGER,
    a_milli INTEGER,
    b_milli INTEGER,
    lightness_sd_milli INTEGER,
    colour_sd_milli INTEGER,
    green_ppm INTEGER,
    red_ppm INTEGER,
    brown_ppm INTEGER,
    wrinkle_fine_milli INTEGER,
    wrinkle_milli INTEGER,
    touches_edge INTEGER,
    PRIMARY KEY (tray, object),
    FOREIGN KEY (tray, object) REFERENCES object (tray, object)
) STRICT, WITHOUT ROWID;
CREATE INDEX object_corrected ON object (corrected) WHERE corrected IS NOT NULL;
CREATE TABLE refusal (
    entry INTEGER PRIMARY KEY REFERENCES entry (seq),
    load TEXT,
    lot TEXT,
    tray INTEGER,
    photo TEXT NOT NULL UNIQUE REFERENCES photo (sha256),
    reason TEXT NOT NULL
) STRICT;
CREATE INDEX refusal_of_load ON refusal (load);
CREATE TABLE draw (
    entry INTEGER PRIMARY KEY REFERENCES entry (seq),
    load TEXT NOT NULL,
    lot TEXT NOT NULL,
    seed TEXT NOT NULL,
    objects_in_lot INTEGER NOT NULL,
    reviewed INTEGER REFERENCES entry (seq),
    FOREIGN KEY (load, lot) REFERENCES lot (load, name)
) STRICT;
CREATE INDEX draw_of_load ON draw (load, lot);
CREATE TABLE drawn (
    draw INTEGER NOT NULL REFERENCES draw (entry),
    place INTEGER NOT NULL,
    tray INTEGER NOT NULL REFERENCES tray (entry),
    object INTEGER NOT NULL,
    PRIMARY KEY (draw, place),
    UNIQUE (draw, tray, object),
    FOREIGN KEY (tray, object) REFERENCES object (tray, object)
) STRICT, WITHOUT ROWID;
CREATE TABLE review (
    entry INTEGER NOT NULL REFERENCES entry (seq),
    place INTEGER NOT NULL,
    draw INTEGER NOT NULL REFERENCES draw (entry),
    tray INTEGER NOT NULL REFERENCES tray (entry),
    object INTEGER,
    human TEXT NOT NULL,
    PRIMARY KEY (entry, place)
) STRICT, WITHOUT ROWID;
CREATE INDEX review_of_draw ON review (draw);
CREATE TABLE weighing (
    tray INTEGER PRIMARY KEY REFERENCES tray (entry),
    weighed_g TEXT,
    sound_g TEXT,
    shriveled_g TEXT,
    underripe_g TEXT,
    debris_g TEXT,
    entry INTEGER NOT NULL REFERENCES entry (seq)
) STRICT;
CREATE TABLE coarse (
    load TEXT NOT NULL,
    lot TEXT NOT NULL,
    coarse_kg TEXT NOT NULL,
    increment_kg TEXT NOT NULL,
    pieces INTEGER NOT NULL,
    entry INTEGER NOT NULL REFERENCES entry (seq),
    PRIMARY KEY (load, lot),
    FOREIGN KEY (load, lot) REFERENCES lot (load, name)
) STRICT, WITHOUT ROWID;
CREATE TABLE counted (
    load TEXT NOT NULL REFERENCES load (name),
    name TEXT NOT NULL,
    pieces INTEGER NOT NULL,
    sample_kg TEXT NOT NULL,
    entry INTEGER NOT NULL REFERENCES entry (seq),
    PRIMARY KEY (load, name)
) STRICT, WITHOUT ROWID;
CREATE TABLE mass_fit (
    entry INTEGER NOT NULL REFERENCES entry (seq),
    profile TEXT NOT NULL,
    class TEXT NOT NULL,
    coefficient TEXT NOT NULL,
    standard_deviation TEXT NOT NULL,
    PRIMARY KEY (profile, entry, class)
) STRICT, WITHOUT ROWID;
CREATE TABLE mass_fit_tray (
    entry INTEGER NOT NULL REFERENCES entry (seq),
    tray INTEGER NOT NULL REFERENCES tray (entry),
    PRIMARY KEY (entry, tray)
) STRICT, WITHOUT ROWID;
CREATE TABLE hand_sort (
    variety TEXT NOT NULL,
    tray TEXT NOT NULL,
    sound_program TEXT NOT NULL,
    shriveled_program TEXT NOT NULL,
    underripe_program TEXT NOT NULL,
    debris_program TEXT NOT NULL,
    sound_g TEXT NOT NULL,
    shriveled_g TEXT NOT NULL,
    underripe_g TEXT NOT NULL,
    debris_g TEXT NOT NULL,
    entry INTEGER NOT NULL REFERENCES entry (seq),
    PRIMARY KEY (variety, tray)
) STRICT, WITHOUT ROWID;
CREATE TABLE verdict (
    load TEXT PRIMARY KEY REFERENCES load (name),
    outcome TEXT,
    figures TEXT NOT NULL,
    entry INTEGER NOT NULL REFERENCES entry (seq)
) STRICT, WITHOUT ROWID;
-- What a person changed of a tray, so that the last of it can be taken back.
CREATE TABLE edit (
    entry INTEGER PRIMARY KEY REFERENCES entry (seq),
    tray INTEGER NOT NULL REFERENCES tray (entry),
    kind TEXT NOT NULL,
    object INTEGER,
    before TEXT,
    before_entry INTEGER REFERENCES entry (seq),
    after TEXT,
    undone INTEGER REFERENCES entry (seq)
) STRICT;
CREATE INDEX edit_of_tray ON edit (tray, entry);
CREATE TABLE edit_object (
    edit INTEGER NOT NULL REFERENCES edit (entry),
    object INTEGER NOT NULL,
    side TEXT NOT NULL,
    PRIMARY KEY (edit, object)
) STRICT, WITHOUT ROWID;
-- Outlines of objects that came later; those of the others are in the label picture.
CREATE TABLE outline (
    tray INTEGER NOT NULL,
    object INTEGER NOT NULL,
    runs TEXT NOT NULL,
    PRIMARY KEY (tray, object),
    FOREIGN KEY (tray, object) REFERENCES object (tray, object)
) STRICT, WITHOUT ROWID;
CREATE TABLE tag (
    tray INTEGER NOT NULL,
    object INTEGER NOT NULL,
    tags TEXT NOT NULL,
    entry INTEGER NOT NULL REFERENCES entry (seq),
    PRIMARY KEY (tray, object),
    FOREIGN KEY (tray, object) REFERENCES object (tray, object)
) STRICT, WITHOUT ROWID;
CREATE TABLE parties (
    entry INTEGER PRIMARY KEY REFERENCES entry (seq),
    load TEXT NOT NULL,
    lot TEXT NOT NULL,
    draw INTEGER NOT NULL REFERENCES draw (entry),
    whole INTEGER NOT NULL,
    ended INTEGER REFERENCES entry (seq),
    outcome TEXT,
    FOREIGN KEY (load, lot) REFERENCES lot (load, name)
) STRICT;
CREATE INDEX parties_of_load ON parties (load, lot);
CREATE TABLE party (
    parties INTEGER NOT NULL REFERENCES parties (entry),
    party TEXT NOT NULL,
    name TEXT NOT NULL,
    finished INTEGER REFERENCES entry (seq),
    accepted INTEGER REFERENCES entry (seq),
    figures TEXT,
    refused INTEGER REFERENCES entry (seq),
    PRIMARY KEY (parties, party)
) STRICT, WITHOUT ROWID;
CREATE TABLE judgement (
    parties INTEGER NOT NULL REFERENCES parties (entry),
    party TEXT NOT NULL,
    tray INTEGER NOT NULL REFERENCES tray (entry),
    object INTEGER NOT NULL,
    human TEXT NOT NULL,
    tags TEXT NOT NULL,
    entry INTEGER NOT NULL REFERENCES entry (seq),
    PRIMARY KEY (parties, party, tray, object)
) STRICT, WITHOUT ROWID;
CREATE TABLE settled (
    parties INTEGER NOT NULL REFERENCES parties (entry),
    tray INTEGER NOT NULL REFERENCES tray (entry),
    object INTEGER NOT NULL,
    human TEXT NOT NULL,
    entry INTEGER NOT NULL REFERENCES entry (seq),
    PRIMARY KEY (parties, tray, object)
) STRICT, WITHOUT ROWID;
CREATE TABLE taught (
    entry INTEGER PRIMARY KEY REFERENCES entry (seq),
    profile TEXT NOT NULL,
    sha256 TEXT NOT NULL,
    adopted INTEGER NOT NULL,
    figures TEXT NOT NULL
) STRICT;
CREATE TABLE taught_tray (
    entry INTEGER NOT NULL REFERENCES taught (entry),
    tray INTEGER NOT NULL REFERENCES tray (entry),
    PRIMARY KEY (entry, tray)
) STRICT, WITHOUT ROWID;
CREATE TABLE sheet (
    sha256 TEXT PRIMARY KEY,
    load TEXT NOT NULL REFERENCES load (name),
    bytes INTEGER NOT NULL,
    as_of INTEGER NOT NULL REFERENCES entry (seq),
    head TEXT NOT NULL,
    entry INTEGER NOT NULL REFERENCES entry (seq)
) STRICT, WITHOUT ROWID;
