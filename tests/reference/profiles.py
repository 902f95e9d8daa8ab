#!/usr/bin/env python3
"""Trains the role profiles of src/cast/profiles.rs. Needs numpy, scipy, soundfile, scikit-learn.
  profiles.py WORK DEB NPM SHARED FEATURES
WORK: an empty folder; profiles.rs is written there. DEB: where fluid-soundfont-gm,
musescore-general-soundfont-lossless, sonic-pi-samples and timgm6mb-soundfont (GPL: held out, never trained on)
were unpacked with dpkg -x. NPM: where supersonic-scsynth-samples was unpacked. SHARED: the developer audio set.
FEATURES: the built example `features` (cargo build --example features). The alterations are drawn from the
names of the files, SHARED with its full path: elsewhere the numbers come out a little different."""
import sys,os,re,glob,json,importlib.util,hashlib,subprocess,warnings
warnings.filterwarnings('ignore')
WORK,DEB,NPM,SHARED,FEATURES=(os.path.abspath(a) for a in sys.argv[1:6])
os.makedirs(WORK,exist_ok=True); os.chdir(WORK)

# --- labelled sounds, one group for each kit or sample set ---
spec=importlib.util.spec_from_file_location('sf',SHARED+'/tools/sf2extract.py'); sf=importlib.util.module_from_spec(spec); spec.loader.exec_module(sf)
import numpy as np, soundfile as so
os.makedirs('train',exist_ok=True)
rows=[]
RULES=[('kick',r'kick|bass drum|^bd|bass dr'),('rim',r'rim tap|^side|sidestick|msnr-rim \d|rim shot$'),
('snare',r'snare|\bsnr\b|msnr-hit'),('clap',r'clap'),('hat_closed',r'closed|foot|808 hat|hihat1'),('hat_open',r'open'),
('shaker',r'shaker|maracas|cabasa'),('tom',r'\btom\b|elecT?tom|electtom|timbale$|taiko|conga|bongo$|syn drum|bongo tone'),
('perc',r'clave|wood ?block|cowbell|agogo|stick|temple block|tambourine|bongo rim|guiro|timbale rim|timbale strike|snap'),
('cymbal',r'crash|ride|cym|china')]
EXC=r'orchcrash|voices|choir|steel|marimba|french|car crash|reverse|fretless|crush|halfcrash|choke'
def lab(n):
    n=n.lower()
    if re.search(EXC,n): return None
    if 'brush' in n: return None
    for l,r in RULES:
        if re.search(r,n): return l
def bank(path,group):
    f=sf.SF2(path); seen={}
    for s in f.samples:
        n=s['name']
        base=re.sub(r'\s*\(?[LR]?\)?$','',n) if re.search(r'\([LR]\)?$',n) else n
        l=lab(base)
        if l is None or s['end']-s['start']<500: continue
        if re.search(r'\(R\)?$',n): 
            continue
        fn=f'train/{group}_{s["idx"]}_{re.sub("[^A-Za-z0-9]+","-",base)}.wav'
        so.write(fn,f.pcm(s).astype('float32')/32768,s['sr'],subtype='PCM_16'); rows.append((fn,l,group,base))
D=DEB+'/usr/share/sounds/sf2/'
bank(D+'FluidR3_GM.sf2','fluid'); bank(D+'MuseScore_General_Full.sf2','musescore'); bank(D+'TimGM6mb.sf2','timgm')
# musescore: keep only what fluid lacks
fl={r[3].lower() for r in rows if r[2]=='fluid'}
rows=[r for r in rows if not(r[2]=='musescore' and r[3].lower() in fl)]
SP={'kick':r'^bd_|drum_heavy_kick|drum_bass|elec_hollow_kick|elec_soft_kick','snare':r'^sn_|snare','clap':r'clap','hat_closed':r'drum_cymbal_closed|drum_cymbal_pedal|^hat_','hat_open':r'drum_cymbal_open','tom':r'drum_tom|elec_fuzz_tom','perc':r'cowbell|perc_snap|elec_wood|^perc_bell$|elec_tick','cymbal':r'drum_splash|drum_cymbal_(hard|soft)|elec_cymbal|^ride_','shaker':r'shaker|maraca'}
for d,g in [(DEB+'/usr/share/sonic-pi/samples','sonicpi'),(NPM+'/package/samples','supersonic')]:
    for p in sorted(glob.glob(d+'/*.flac')):
        b=os.path.basename(p)[:-5]
        if g=='supersonic' and os.path.exists(DEB+'/usr/share/sonic-pi/samples/'+b+'.flac'): continue
        for l,r in SP.items():
            if re.search(r,b):
                fn=f'train/{g}_{b}.wav'; x,sr=so.read(p); 
                if len(x)/sr>4: break
                so.write(fn,x,sr,subtype='PCM_24'); rows.append((fn,l,g,b)); break
for p,l,g in [(r.split(',')[0],r.split(',')[3],r.split(',')[5]) for r in open(SHARED+'/MANIFEST.csv').read().splitlines() if r.startswith('drums')]:
    if g in('FluidR3','sonic-pi'): g={'FluidR3':'dev_fluid','sonic-pi':'dev_sonicpi'}[g]
    m={'hat_pedal':'hat_closed','cowbell':'perc','woodblock':'perc','clave':'perc','sticks':'perc','snap':'perc','tambourine':'perc','rimshot':'snare'}
    rows.append((SHARED+'/'+p,m.get(l,l),g,os.path.basename(p)))
json.dump(rows,open('rows.json','w'))
from collections import Counter
c=Counter((r[2],r[1]) for r in rows)
for k in sorted(c): print(k,c[k])

# --- each sound as it is and seven times altered: pitch, tilt, decay, noise, drive ---
import numpy as np, soundfile as so
from scipy.signal import resample_poly, lfilter
from fractions import Fraction
rows=json.load(open('rows.json')); os.makedirs('aug',exist_ok=True)
out=[]
def load(p):
    x,sr=so.read(p,dtype='float64',always_2d=True); x=x.mean(1)
    if sr not in(44100,48000):
        f=Fraction(44100,sr).limit_denominator(1000); x=resample_poly(x,f.numerator,f.denominator); sr=44100
    return x[:int(1.5*sr)],sr
def tilt(x,sr,db):
    # first-order shelf around 1 kHz
    a=np.exp(-2*np.pi*1000/sr); lp=lfilter([1-a],[1,-a],x); g=10**(db/20); return lp/np.sqrt(g)+(x-lp)*np.sqrt(g)
for i,(p,l,g,n) in enumerate(rows):
    x,sr=load(p)
    rng=np.random.default_rng(int(hashlib.sha256(p.encode()).hexdigest()[:8],16))
    for k in range(8):
        y=x.copy()
        if k:
            st=rng.uniform(-2,2) if l not in('kick','tom') else rng.uniform(-1.5,1.5)
            f=Fraction(2**(-st/12)).limit_denominator(60); y=resample_poly(y,f.numerator,f.denominator)
            y=tilt(y,sr,rng.uniform(-5,5))
            if rng.random()<.6:
                d=10**rng.uniform(-1.0,0.3)   # extra decay time const
                if l in('hat_open','cymbal'): d=max(d,.35)
                if l=='tom': d=max(d,.15)
                y=y*np.exp(-np.arange(len(y))/sr/d)
            if rng.random()<.5: y=y+rng.standard_normal(len(y))*np.abs(y).max()*10**(rng.uniform(-70,-48)/20)
            if rng.random()<.3:
                m=np.abs(y).max(); dr=rng.uniform(1,5); y=np.tanh(y/m*dr)
        y=y/max(1e-9,np.abs(y).max())*.7
        fn=WORK+f'/aug/{i}_{k}.wav'; so.write(fn,y,sr,subtype='FLOAT'); out.append((fn,i,k))
json.dump(out,open('aug.json','w'))

# --- measures, by the code that scores ---
with open('feats.jsonl','w') as o:
    subprocess.run([FEATURES],input='\n'.join(a[0] for a in out)+'\n',text=True,stdout=o,check=True)

# --- models, calibrated on groups that were held out ---
from sklearn.linear_model import LogisticRegression
from sklearn.neural_network import MLPClassifier
from scipy.optimize import minimize_scalar
rows=json.load(open('rows.json')); aug=json.load(open('aug.json'))
F={}
for l in open('feats.jsonl'):
    d=json.loads(l); F[d['file']]=d['row']
X=[];y=[];g=[];k=[];ii=[]
for fn,i,kk in aug:
    if fn in F:
        X.append(F[fn]);y.append(rows[i][1]);g.append(rows[i][2]);k.append(kk);ii.append(i)
X=np.array(X);y=np.array(y);g=np.array(g);k=np.array(k);ii=np.array(ii)
CLS=['kick','snare','rim','clap','hat_closed','hat_open','shaker','tom','perc','cymbal']
Y=np.array([CLS.index(v) for v in y])
# one weight per number: the 144 bands are many and alike
BW=np.ones(X.shape[1]); BW[:144]=0.5
def fit(tr):
    mean=X[tr].mean(0); sd=X[tr].std(0)+1e-3
    Z=np.clip((X-mean)/sd,-3,3)*BW
    rng=np.random.default_rng(1)
    cnt=np.bincount(Y[tr],minlength=10); w=1/np.sqrt(cnt[Y[tr]]); w*=len(w)/w.sum()
    lr=LogisticRegression(C=0.02,max_iter=500).fit(Z[tr],Y[tr],sample_weight=w)
    # the net has no weights: draw by class instead
    idx=np.concatenate([rng.choice(np.where(tr&(Y==c))[0],int(600)) for c in range(10) if (tr&(Y==c)).any()])
    nets=[MLPClassifier((16,),alpha=4,max_iter=150,random_state=s,activation='tanh').fit(Z[idx],Y[idx]) for s in range(3)]
    return mean,sd,lr,nets
def prob(m,Xs,T=1.0):
    mean,sd,lr,nets=m; Z=np.clip((Xs-mean)/sd,-3,3)*BW
    full=lambda cl,l:(lambda o:(o.__setitem__((slice(None),cl),l),o)[1])(np.full((len(l),10),-12.0))
    L=[full(lr.classes_,lr.decision_function(Z))]
    for n in nets:
        h=np.tanh(Z@n.coefs_[0]+n.intercepts_[0]); L.append(full(n.classes_,h@n.coefs_[1]+n.intercepts_[1]))
    P=0
    for l in L:
        l=l/T; e=np.exp(l-l.max(1,keepdims=True)); P=P+e/e.sum(1,keepdims=True)
    return P/len(L)
if __name__=='__main__':
    TRAIN=['fluid','musescore','MDL','sonicpi','supersonic']
    HELD=['ElectricEmpire','Audiophob','rumpf','DrumlineCymbals','timgm']
    tr=np.isin(g,TRAIN); te=np.isin(g,HELD)&(k==0)
    # calibration by group inside the training data
    outs=[]
    for held in ['fluid','sonicpi','supersonic']:
        hh=[held]+(['musescore','MDL'] if held=='fluid' else [])
        a=tr&~np.isin(g,hh); b=np.isin(g,hh)&(k<4)
        outs.append((fit(a),b&np.isin(Y,np.unique(Y[a]))))
    def nll(T): return -np.mean(np.concatenate([np.log(prob(m,X[b],T)[np.arange(b.sum()),Y[b]]+1e-6) for m,b in outs]))
    T=minimize_scalar(nll,bounds=(.5,5),method='bounded').x
    PP=np.concatenate([prob(m,X[b],T) for m,b in outs]); yy=np.concatenate([Y[b] for m,b in outs]); print('T',T,'cv acc',(PP.argmax(1)==yy).mean())
    conf=PP.max(1); 
    for lo,hi in[(0,.4),(.4,.6),(.6,.8),(.8,1.01)]:
        q=(conf>=lo)&(conf<hi); print('cal',lo,hi,q.sum(),round(conf[q].mean(),2),round((PP.argmax(1)==yy)[q].mean(),2))
    m=fit(tr); P=prob(m,X[te],T); p=P.argmax(1); t=Y[te]
    hm=lambda a:np.where(a==5,4,a); kp=t<8
    print('held acc',(p==t).mean(),'merged hats, no perc/cym',(hm(p)==hm(t))[kp].mean(), {CLS[c]:f'{(p[t==c]==c).sum()}/{(t==c).sum()}' for c in range(10)})
    mean,sd,lr,nets=m
    f=lambda v:'%.4g'%v
    def arr(name,a,doc):
        a=np.asarray(a); 
        if a.ndim==1: return f'/// {doc}\npub static {name}: [f32; {len(a)}] = ['+', '.join(num(v) for v in a)+'];\n'
        return f'/// {doc}\npub static {name}: [[f32; {a.shape[1]}]; {a.shape[0]}] = [\n'+''.join('    ['+', '.join(num(v) for v in r)+'],\n' for r in a)+'];\n'
    def num(v):
        s='%.3f'%v
        s=s.rstrip('0'); 
        if s.endswith('.'): s+='0'
        return '0.0' if s in('-0.0',) else s
    cen=np.array([X[tr&(Y==c)].mean(0) for c in range(10)]); spr=np.array([X[tr&(Y==c)].std(0) for c in range(10)])+0.0
    o='''//! Role profiles, made by `tests/reference/profiles.py`: do not edit.
//!
//! Trained on labelled open recordings: fluid-soundfont-gm 3.1-5.3 (MIT), musescore-general-soundfont-lossless
//! 0.2.1-1 (MIT; its drumline CC0), sonic-pi-samples 3.2.2~repack-8 (CC0), all from Debian 12, and
//! supersonic-scsynth-samples 0.84.2 (npm, CC0). Measures by `cast::features`.
#![cfg_attr(rustfmt, rustfmt_skip)]
#![allow(clippy::approx_constant, clippy::excessive_precision)]

'''
    o+=f'/// What the logits are divided by, so that scores are probabilities (found on sounds of groups that were held out).\npub const TEMPERATURE: f32 = {T:.3f};\n'
    o+=arr('MEAN',mean,'Mean of each measure over all training sounds.')+arr('SPREAD',sd,'Standard deviation of each measure.')
    o+=arr('LINE_BIAS',lr.intercept_,'Multinomial logistic regression: one bias for each class.')+arr('LINE',lr.coef_*BW,'Its weights: `[class][measure]`.')
    for n,q in enumerate(nets):
        o+=arr(f'NET{n}_IN_BIAS',q.intercepts_[0],'Small net: biases of its hidden units.')+arr(f'NET{n}_IN',(q.coefs_[0]*BW[:,None]).T,'`[hidden][measure]`.')+arr(f'NET{n}_OUT_BIAS',q.intercepts_[1],'One for each class.')+arr(f'NET{n}_OUT',q.coefs_[1].T,'`[class][hidden]`.')
    o+=arr('CENTRE',cen,'Mean of each measure over the sounds of a class: `[class][measure]`.')+arr('WIDTH',np.maximum(spr,0.5*sd),'Their standard deviation, at least half of that of all sounds.')
    open('profiles.rs','w').write(o)
    print(len(o))
