"""What many units tell: yield, capability, gauge studies, control charts, limits; computed on columns.

In: runs and readings as columns, of logs, exports or the server. Out: figures with their intervals, and what they say.

=========================  ==================================================================
:mod:`.sources`            where runs come from as columns: one file a sort of place
:mod:`.columns`            the picked runs, to ask in SQL
:mod:`.yields`             yield by unit, what fails most, what retests hid
:mod:`.standouts`          lots, nests, stations that stand out
:mod:`.readings`           what units read, metric by metric
:mod:`.fits`               a distribution of readings, and which ones the data allow
:mod:`.capability`         whether the process makes units within the masks
:mod:`.propose`            masks that follow from units, with the yield and risks they give
:mod:`.curve_bands`        the same for curves
:mod:`.decisive`           what masks come to on units that were measured
:mod:`.gauge`              the gauge study: what is the units' part, and what the station's
:mod:`.charts`             control charts
:mod:`.drift`              whether the product has moved, a station, a nest, or a golden unit
:mod:`.among`              a run among units of several models, and among stated values
=========================  ==================================================================
"""
