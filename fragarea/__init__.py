"""Live-tissue area of coral nursery fragments from photos.

The packages stand in the order in which a photo meets them; each imports only from earlier ones.

``errors``     what a worker reads when something cannot be done
``doubts``     the named doubts that a measurement can carry
``photo``      one photo file -> upright pixels, date taken, camera
``reference``  pixels -> millimetres: tags, lens, pose, plane, plug rim
``sites``      where fragments sit: tray grid, pad, single plug -> one window per position
``tissue``     window -> live, bleached, dead, other; outlines in mm
``adapt``      a nursery's own corrected outlines: learned from where that helps
``area``       outline -> planar area and its uncertainty budget
``check``      known areas: shapes of the printed sheet, bias, repeatability, verdict
``measurement``  what measuring gives: the records that every later stage reads
``measure``    the pipeline: one photo in, measurements and doubts out (pure; no files, no database)
``checking``   the known-area check on photos
``nursery``    what the user keeps: nursery.toml, fragments and placements tables
``logbook``    every measurement ever made, in SQL; the only package that knows SQL
``growth``     rates per fragment and per genotype, comparisons, tissue loss, mix-ups
``fusion``     pads: contacts, patches, gaps and progress of fusing
``outplant``   what is ready to go out, when the rest will be, how many to cut
``batch``      many photos: what is new, workers, progress, resume
``report``     overlays, contact sheets, tables, CSV and XLSX
``publish``    from the logbook to the reports folder
``nursery_view``  what commands show of a nursery
``growth_view``  what commands show of growth
``growth_tables``  growth as tables: terminal, CSV, XLSX
``fusion_view``  what commands show of fusion
``fusion_tables``  fusion as tables: terminal, CSV, XLSX
``pad_pictures``  pictures of pads as files
``closing_view``  what commands show of pads to come, and of times to contact and fusion
``closing_tables``  the same as tables and sentences
``outplant_view``  what commands show of outplanting
``outplant_tables``  outplanting as tables: terminal, CSV, XLSX
``forecast_tables``  forecasts as tables and sentences
``cutting_view``  what commands show of cutting
``cutting_tables``  plans of cuts as tables and sentences
``weekly``     the weekly report: one page to mail or print
``decisions``  what people decide: fragments that changed places, measurements marked wrong
``sheets``     printable references and known-area shapes
``pull_list``  what is ready, as pages to print and tick
``cli``        click commands, one file each, no computation

Conventions, written once: images are ``(rows, columns, 3)`` uint8 sRGB in R, G, B order; masks are bool with
True = tissue; points are ``(x, y)`` in pixels with whole numbers at pixel centres and y downwards; on the
reference plane ``(x_mm, y_mm)`` with the reference's own axes (x right, y down) and heights upwards, towards
the camera. Areas are mm2 inside and shown as cm2. Every ``*_u_*`` is a standard uncertainty.
"""

__version__ = "0.1.0"
