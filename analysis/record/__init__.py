"""The only reader of the store and the notebook: a trial as frames.

One name for a column everywhere; names end in their unit; times are `datetime64[ms, UTC]`.

- readings: `time, channel, value` of one tray. Order, duplicates and further columns do not matter.
- cycles: the columns of `tidetray.ingest.cycles.detect.detect_cycles`, and `tray` where there are several.
- light: `tray, time, ppfd`. A value holds from its time until the tray's next row; NaN: unknown from there on.
- pots: `pot, tray, row, column, treatment, tare_g, from, to, height_m`, a row per placement; `to` is NaT for the
  present one.
- weigh-ins: `pot, time, replicate, gross_g, tare_g, net_g, blotted, who, note`.
- intervals: `pot, start, end`.
- exposure: `pot, tray, start, end, hours, wet_h, dry_h, unknown_h, wet_lit_h, wet_dark_h, dry_lit_h, dry_dark_h,
  floods, dli_mol_m2_d, light_known_h, wet_most_h, dry_most_h, dry_spell_mean_h, dry_spell_longest_h, wet_spell_mean_h`.
- environment: `pot, start, end, light_factor, light_mol_m2_d, dry_light_mol_m2_d, plant_light_mol_m2_d, water_depth_m,
  attenuation_per_m, air_temp_c, degree_h_d, water_temp_c, vpd_dry_kpa`, and beside each quantity a `..._cover`, the
  share of the time that it is known for.
- masses: `pot, tray, treatment, stock, day, time, net_g, start_g, dry_g, gone, block, bench`, a row per pot and round
  of weighing; `day` is that of the round, counted from the first; `gone` says why a pot has no later masses; `block`
  and `bench` are those of the tray, empty where none is noted.
- growth: `pot, start, end, days, mass_start_g, mass_end_g, rgr_per_day, rgr_u_per_day`; the last is the standard
  uncertainty by the weighing alone.
- alarms: the columns of `tidetray.analysis.live.alarm_load.alarm_frame`.
"""
