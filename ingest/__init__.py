"""Nightloader: unattended ingest of camera cards on a film set's data cart.

One card's way, one folder each under ``ingest/steps``:

1.  ``cards``      has a card arrived, is it quiet, what is on it, have we met it before
2.  ``copying``    every file to every destination, read back from the device, then named
3.  ``stills``     headers of the stills: exposure, time, body, lens
4.  ``clips``      headers of the clips: duration, frame rate, timecode
    ``codes``      clocks and slates with codes that frames show
5.  ``clocks``     what each body showed against the true time
6.  ``probes``     which frames form one bracket, which stand alone
7.  ``merging``    a bracket to one scene-linear picture
    ``sights``     charts and balls seen in stills and clips, proposed; a chart's colours, a ball's picture
8.  ``panorama``   views of one standpoint to one upright lat-long
9.  ``light``      what the light is and how far the probe can be trusted
10. ``setups``     the log a person keeps: shot, setup, start, end, measurements
11. ``filing``     which shot and setup each thing belongs to, under which name
12. ``coverage``   what was due at each setup and is missing
13. ``paperwork``  manifest, checksum log, hash-list history, the show's running log
14. ``audit``      everything read again and judged
15. ``reports``    the morning's page, and the same on paper
16. ``handover``   one folder for a shot that stands alone

In a step's folder every file only thinks, except ``stage.py`` (and ``stage_*.py`` beside it), which act through
``ingest.services``.  ``ingest.pipeline`` drives the steps; ``ingest.faces`` is how the
world meets them; ``ingest.machinery`` acts for them and decides nothing.
"""

__version__ = "0.1.0"
